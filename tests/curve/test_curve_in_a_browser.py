"""The page of a curve as Chromium shows it, opened from disk."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
from playwright.sync_api import Browser

from autochain.chain.output import without_ends
from autochain.curve import listening
from autochain.curve.listening import MOST_PLAYED, curve_sounds, played_points
from autochain.curve.report import to_html
from autochain.curve.sheets import with_sheets
from autochain.page.listening import Listening
from autochain.page.words16 import BUDGET_BYTES
from tests.browsing import Opened
from tests.curve.conftest import TARGETS, Traced
from tests.page import browsing

SHOWN = "[...document.querySelectorAll('.card')].filter(c => getComputedStyle(c).display !== 'none').map(c => c.id)"


@pytest.fixture
def opened(traced: Traced, tmp_path: Path, browser: Browser) -> Opened:
    """The page on a phone."""
    (tmp_path / "song.curve.html").write_text(to_html(with_sheets(traced.curve, "song")), encoding="utf-8")
    for target in TARGETS:
        (tmp_path / f"song.at{target:.1f}.sheet.html").write_text(f"<title>{target}</title>", encoding="utf-8")
    return Opened(browser, tmp_path / "song.curve.html", 390)


def test_keys_and_pointer_show_one_card_and_open_its_sheet(opened: Opened) -> None:
    page = opened.page
    assert page.evaluate("document.documentElement.scrollWidth") == 390  # nothing sticks out sideways
    assert len(page.evaluate(SHOWN)) == 1
    page.keyboard.press("Tab")
    assert page.evaluate(SHOWN) == ["cat-16_0"]
    page.keyboard.press("Tab")
    assert page.evaluate(SHOWN) == ["cat-10_0"]
    page.hover("#dat-8_0 .dot")
    assert page.evaluate(SHOWN) == ["cat-8_0"]  # the pointer goes before the focus
    page.mouse.move(0, 0)
    assert page.evaluate(SHOWN) == ["cat-10_0"]
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert page.url.endswith("/song.at-10.0.sheet.html")
    page.go_back()
    with page.expect_navigation():
        page.click("#dat-8_0 .dot")
    assert page.url.endswith("/song.at-8.0.sheet.html")
    assert opened.complaints == []
    assert all(url.startswith("file:") for url in opened.requests)


@pytest.fixture(scope="module")
def heard(traced: Traced) -> Listening:
    """Two places, as of a long song."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(listening, "affordable_s", lambda *_: 10.0)
        made = curve_sounds(with_sheets(traced.curve, "song"))
    assert made is not None
    return made


def test_the_points_play_as_they_render_and_equally_loud(traced: Traced, heard: Listening) -> None:
    points = traced.curve.searched
    assert [sound.name for sound in heard.sounds] == ["mix", *(f"{point.target_lufs:.1f} LUFS" for point in points)]
    assert len(points) == 2  # the quietest takes a gain alone
    assert len(heard.windows) == 2
    rate_hz, mix = heard.rate_hz, traced.mix.samples
    songs = [mix] + [
        point.found.config.chain_plan.render(mix, rate_hz, without_ends(point.chosen.settings)).samples
        for point in points
    ]
    levels = []
    for sound, song in zip(heard.sounds, songs, strict=True):
        words = sound.words / 32768.0
        gain = 10.0 ** (sound.gain_db / 20.0)
        assert gain <= 1.0
        for window in heard.windows:
            here, there = (round((at + 1.0) * rate_hz) for at in (window.at_s, window.start_s))
            error = words[here : here + 3 * rate_hz] - gain * song[there : there + 3 * rate_hz]
            # 16 bits with dither, and what detectors that began 5 s before still differ by: a limit of this project.
            assert np.abs(error).max() < 2.0 * 2.0**-15 + 1e-3, sound.name
        state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(words).reshape(-1), len(words))
        levels.append(pyebur128.get_loudness_global(state))
    assert max(levels) - min(levels) <= 0.1


def test_the_page_plays_the_mix_and_the_points(
    browser: Browser, traced: Traced, heard: Listening, tmp_path: Path
) -> None:
    path = tmp_path / "song.curve.html"
    path.write_text(to_html(with_sheets(traced.curve, "song"), heard), encoding="utf-8")
    assert len(path.read_bytes()) < BUDGET_BYTES
    page = browsing.Opened(browser, path)
    labels = [one.inner_text() for one in page.page.query_selector_all("#versions button")]
    assert labels == ["1 mix", "2 -10.0 LUFS", "3 -8.0 LUFS"]  # a difference of which two would be anyone's guess
    for version, sound in enumerate(heard.sounds):
        first = round(1.02 * heard.rate_hz)
        made = page.heard(version)
        # Chromium's decoder divides by 32767 or 32768 according to sign: 31 millionths of the level.
        assert np.abs(made - sound.words[first : first + len(made)] / 32768.0).max() < 4e-5
    page.page.keyboard.press("3")
    assert page.state()["chosen"] == 2
    page.page.keyboard.press("Space")
    page.until("window.listening.position() > 0.1")
    page.page.click(".listen summary")
    page.page.click("#hide")
    assert not page.page.query_selector_all("#versions button:has-text('LUFS')")
    assert page.complaints == []
    page.page.close()


def test_of_many_points_as_many_play_as_there_are_keys(traced: Traced) -> None:
    point = traced.curve.points[-1]
    many = tuple(replace(point, target_lufs=-14.0 + 0.25 * k) for k in range(30))
    played = played_points(replace(traced.curve, points=many))
    assert len(played) == MOST_PLAYED
    assert (played[0], played[-1]) == (many[0], many[-1])
    assert played_points(replace(traced.curve, points=traced.curve.points[:1])) == ()


def test_the_command_leaves_sound_out_where_it_is_told(
    brief_mix: Path, small_plan: Path, tmp_path: Path, command: Callable[..., Any]
) -> None:
    sizes = {}
    for kind, more in (("with", ()), ("without", ("--no-sound",))):
        asked = ("--from", -11, "--to", -10, "--budget", 6, "--config", small_plan, "-o", tmp_path / kind)
        ran = command("curve", brief_mix, *asked, *more)
        assert ran.code == 0, ran.err
        sizes[kind] = len((tmp_path / kind / "brief.curve.html").read_bytes())
    assert sizes["with"] > 1_000_000 > 200_000 > sizes["without"]
    told = [json.loads((tmp_path / kind / "brief.curve.json").read_text()) for kind in sizes]
    assert told[0] == told[1]
