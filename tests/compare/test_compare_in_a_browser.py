"""The page of a comparison as Chromium plays it: a late, swapped and inverted bounce against mix and sheet."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Browser

from autochain.audio.files import read_mix
from autochain.compare import compare
from autochain.page import compare_page
from autochain.page.compare_page import compared_sounds
from autochain.page.words16 import BUDGET_BYTES
from tests.conftest import Suggested
from tests.page.browsing import Opened, sounds_of

LATE = 1000
BUMP_S = 4.0
STEPS = 3.0 * 2.0**-15  # 16 bits with dither, twice: the bounce has 24


@pytest.fixture(scope="module")
def run(demo_run: Callable[[str], Suggested]) -> Suggested:
    return demo_run("dense_rock")


@pytest.fixture(scope="module")
def bounce(run: Suggested, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sheet's own result 1 dB lower, later, with a click, the channels swapped and turned over."""
    song, rate_hz = run.song(), run.sheet["mix"]["rate_hz"]
    song = 10.0 ** (-1.0 / 20.0) * song.astype(np.float64)
    song[round(BUMP_S * rate_hz), 0] += 0.35
    path = tmp_path_factory.mktemp("bounce") / "bounce.wav"
    soundfile.write(path, -np.pad(song, ((LATE, 0), (0, 0)))[:, ::-1], rate_hz, subtype="PCM_24")
    return path


@pytest.fixture(scope="module")
def made(run: Suggested, bounce: Path, command: Callable[..., Any]) -> Path:
    sheet = run.preview.with_name(f"{run.mix.stem}.sheet.json")
    ran = command("compare", run.mix, bounce, "--sheet", sheet, "-o", bounce.parent, "--no-log")
    assert ran.code == 3, ran.err  # a dB too low
    return bounce.with_name("bounce.compare.html")


def test_mix_bounce_and_sheet_play_in_step_and_equally_loud(run: Suggested, bounce: Path, made: Path) -> None:
    facts, sounds = sounds_of(made)
    assert list(sounds) == ["mix", "bounce", "sheet"]
    assert len(made.read_bytes()) < BUDGET_BYTES + 200_000
    gains = [10.0 ** (one["gain_db"] / 20.0) for one in facts["sounds"]]
    mix, _ = soundfile.read(run.mix, dtype="float64", always_2d=True)
    heard, _ = soundfile.read(bounce, dtype="float64", always_2d=True)
    songs = {"mix": mix, "bounce": -heard[LATE:, ::-1], "sheet": run.song().astype(np.float64)}
    rate_hz = facts["rate_hz"]
    for window in facts["windows"]:
        here, there = (round((at + 2.0) * rate_hz) for at in (window["at"], window["start"]))
        for gain, (name, song) in zip(gains, songs.items(), strict=True):
            error = sounds[name][here : here + rate_hz] - gain * song[there : there + rate_hz]
            assert np.abs(error).max() < STEPS, name
    # Turned down by what they are louder than the mix; the sheet's master by a dB more than the bounce.
    assert gains[0] == 1.0
    assert 20.0 * np.log10(gains[1] / gains[2]) == pytest.approx(1.0, abs=0.1)


def test_a_time_and_the_picture_play_from_there(browser: Browser, made: Path) -> None:
    opened = Opened(browser, made)
    page = opened.page
    assert opened.requests == [made.as_uri()]
    buttons = page.query_selector_all("#versions button")
    assert [one.inner_text() for one in buttons] == ["1 mix", "2 bounce", "3 sheet", "4 difference"]
    # Told as 4.0 s, played from a second before.
    click = page.query_selector(f"button[data-time='{BUMP_S - 1.0:.2f}']")
    assert click is not None
    assert click.inner_text() == "0:04.0"
    click.click()
    opened.until("window.listening.state().running")
    assert page.evaluate("window.listening.mixTime()") == pytest.approx(BUMP_S - 1.0, abs=0.5)
    held = page.query_selector(".song rect[data-from]")
    assert held is not None
    held.scroll_into_view_if_needed()
    box = held.bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 10.0)
    middle = 0.5 * sum(float(held.get_attribute(f"data-{end}") or "nan") for end in ("from", "to"))
    opened.until(f"Math.abs(window.listening.mixTime() - {middle}) < 0.5")
    page.evaluate("window.listening.stop()")
    mix, bounce, difference = (opened.heard(k) for k in (0, 1, 3))
    assert np.abs(difference - 10.0 ** (-12.0 / 20.0) * (bounce - mix)).max() < 1e-5
    assert opened.complaints == []
    page.close()


def test_it_fits_a_phone(browser: Browser, made: Path) -> None:
    opened = Opened(browser, made, 390)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 390
    bar = opened.page.query_selector(".player").bounding_box()  # type: ignore[union-attr]
    assert bar is not None
    assert bar["height"] <= 160.0
    opened.page.close()


def test_of_little_room_the_places_are_what_is_told(
    run: Suggested, bounce: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mix, master = read_mix(run.mix), read_mix(bounce)
    found = compare(mix, master)
    assert len(found.new_clicks) == 1
    monkeypatch.setattr(compare_page, "affordable_s", lambda *_: 10.0)
    heard = compared_sounds(mix, master, found)
    assert len(heard.windows) == 2
    assert any(window.start_s <= BUMP_S - 1.0 < BUMP_S + 1.0 < window.stop_s for window in heard.windows)
    assert [sound.name for sound in heard.sounds] == ["mix", "master"]


def test_without_sound_the_page_is_small_and_plays_nothing(
    run: Suggested, bounce: Path, tmp_path: Path, command: Callable[..., Any]
) -> None:
    ran = command("compare", run.mix, bounce, "-o", tmp_path, "--no-log", "--no-sound")
    assert ran.code == 0, ran.err
    page = (tmp_path / "bounce.compare.html").read_text(encoding="utf-8")
    assert len(page) < 100_000
    assert "<script" not in page
    assert json.loads((tmp_path / "bounce.compare.json").read_text(encoding="utf-8"))["mix"]["file"] == run.mix.name
