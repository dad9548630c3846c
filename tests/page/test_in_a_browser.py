"""The page as Chromium shows and plays it, opened from disk."""

import json
import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from playwright.sync_api import Browser

from tests.browsing import luminance
from tests.conftest import Ran, Suggested
from tests.page.browsing import Opened, sounds_of


@pytest.fixture(scope="module")
def run(demo_run: Callable[[str], Suggested]) -> Suggested:
    return demo_run("dense_rock")


def html_of(run: Suggested) -> Path:
    return run.preview.with_name(f"{run.mix.stem}.sheet.html")


@pytest.fixture
def opened(browser: Browser, run: Suggested) -> Iterator[Opened]:
    found = Opened(browser, html_of(run))
    yield found
    found.page.close()


def test_it_opens_from_disk_without_a_complaint_and_asks_for_nothing(opened: Opened, run: Suggested) -> None:
    assert opened.complaints == []
    assert opened.requests == [html_of(run).as_uri()]


def test_every_picture_is_there_and_says_what_it_shows(opened: Opened) -> None:
    boxes = [picture.bounding_box() for picture in opened.page.query_selector_all("figure svg")]
    assert len(boxes) >= 4
    assert all(box is not None and box["width"] > 100 and box["height"] > 60 for box in boxes)
    labels = [picture.get_attribute("aria-label") for picture in opened.page.query_selector_all("figure svg")]
    assert all(labels)
    # Waveform, loudness wanted, what a stage takes, times to listen at; change and balance of the spectrum; crest.
    for kind in (".wave", ".target", ".taken", ".cue", ".bar", ".before"):
        assert opened.page.query_selector(f"figure svg {kind}") is not None, kind
    assert any((label or "").startswith("Crest") for label in labels)


def test_it_fits_a_phone_and_two_sheets_of_paper(browser: Browser, run: Suggested) -> None:
    phone = Opened(browser, html_of(run), width=390)
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", phone.page.pdf(prefer_css_page_size=True))) <= 2
    phone.page.close()


def test_all_versions_play_equally_loud_and_nothing_was_turned_up(run: Suggested) -> None:
    facts, sounds = sounds_of(html_of(run))
    heard = []
    for sound in sounds.values():
        state = pyebur128.R128State(sound.shape[1], facts["rate_hz"], pyebur128.MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(sound).reshape(-1), len(sound))
        heard.append(pyebur128.get_loudness_global(state))
    assert len(heard) >= 2
    assert max(heard) - min(heard) <= 0.1
    assert all(one["gain_db"] <= 0.0 for one in facts["sounds"])


def test_a_place_in_the_page_is_that_time_of_the_mix_to_the_sample(opened: Opened, run: Suggested) -> None:
    facts, sounds = sounds_of(html_of(run))
    rate_hz = facts["rate_hz"]
    mix, _ = soundfile.read(run.mix, dtype="float64", always_2d=True)
    songs = {"mix": mix, "suggestion": run.song().astype(np.float64)}
    for window in facts["windows"]:
        time_s = 0.5 * (window["start"] + window["stop"])
        place = opened.page.evaluate("(t) => window.listening.placeOf(t)", time_s)
        for number, (name, song) in enumerate(songs.items()):
            gain = 10.0 ** (facts["sounds"][number]["gain_db"] / 20.0)
            there = round(time_s * rate_hz)
            here = round(place * rate_hz)
            error = sounds[name][here : here + 1000] - gain * song[there : there + 1000]
            assert np.abs(error).max() < 2.0 * 2.0**-15, name  # 16 bits with dither
    assert opened.page.evaluate("window.listening.placeOf(1e6)") is None


def test_a_switch_is_a_crossfade_of_10_ms_at_the_same_place(opened: Opened) -> None:
    rate_hz = opened.page.evaluate("window.listening.facts.rate_hz")
    mix, master, switched = (opened.heard(*pair) for pair in ((0, None), (1, None), (0, 1)))
    share = np.clip((np.arange(len(mix)) / rate_hz - 0.48) / 0.01, 0.0, 1.0)[:, None]
    assert np.abs(switched - (mix * (1.0 - share) + master * share)).max() < 1e-4
    assert np.abs(mix - master).max() > 0.01


def test_the_difference_is_the_suggestion_less_the_mix_12_db_down(opened: Opened) -> None:
    last = len(opened.state()["names"])
    mix, master, difference = (opened.heard(k) for k in (0, 1, last))
    assert np.abs(difference - 10.0 ** (-12.0 / 20.0) * (master - mix)).max() < 1e-5


def test_a_place_is_repeated_to_the_sample_and_softly(opened: Opened) -> None:
    rate_hz = opened.page.evaluate("window.listening.facts.rate_hz")
    half, fade = rate_hz // 2, rate_hz // 100
    looped, end, start = opened.heard(1, at_s=1.5, loop=[1.0, 2.0]), opened.heard(1, at_s=1.5), opened.heard(1)
    seam = half - 2 * fade  # the first 20 ms are left out
    assert np.array_equal(looped[: seam - fade - 1], end[: seam - fade - 1])
    assert np.array_equal(looped[half:], start[: len(looped) - half])
    assert np.abs(looped[seam]).max() < 1e-3
    assert np.abs(end[seam - 100 : seam + 100]).max() > 0.01


def test_it_starts_quietly_and_the_keys_play_and_switch(opened: Opened) -> None:
    page = opened.page
    assert page.input_value("#volume") == "-20"
    page.keyboard.press("2")
    assert opened.state()["chosen"] == 1
    page.keyboard.press("Space")
    opened.until("window.listening.state().running")
    opened.until("window.listening.position() > 0.2")
    before = page.evaluate("window.listening.position()")
    page.keyboard.press("1")
    assert opened.state()["chosen"] == 0
    assert page.evaluate("window.listening.position()") >= before
    page.keyboard.press("Space")
    assert not opened.state()["running"]
    assert opened.complaints == []


def test_a_time_to_listen_at_jumps_there(opened: Opened) -> None:
    page = opened.page
    button = page.query_selector("button[data-time]")
    assert button is not None
    button.click()
    opened.until("window.listening.state().running")
    wanted = float(button.get_attribute("data-time") or "nan")
    assert page.evaluate("window.listening.mixTime()") == pytest.approx(wanted, abs=1.0)
    page.keyboard.press("Space")  # the button that was clicked does not take it
    assert not opened.state()["running"]
    before = page.evaluate("window.listening.position()")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("window.listening.position()") == pytest.approx(before + 1.0, abs=0.2)


def test_hidden_names_are_shuffled_kept_and_told_afterwards(opened: Opened) -> None:
    page = opened.page
    names = opened.state()["names"]
    page.click(".listen summary")
    page.click("#hide")
    shown = page.inner_text("#versions")
    assert not any(name in shown for name in names)
    assert sorted(opened.state()["order"]) == list(range(len(names)))
    order = opened.state()["order"]
    page.click("#hide")  # hidden already
    assert opened.state()["order"] == order
    page.keyboard.press("2")
    chosen = names[opened.state()["chosen"]]
    page.click("#prefer")
    page.keyboard.press("Space")  # plays, and prefers nothing again
    page.click("#reveal")
    page.evaluate("window.listening.stop()")
    assert f"second was {chosen}" in page.inner_text("#revealed")
    kept = json.loads(page.evaluate("window.listening.exported()"))["choices"]
    assert [one["choice"] for one in kept] == [chosen]
    orders = set()
    for _ in range(40):
        page.click("#hide")
        orders.add(tuple(opened.state()["order"]))
        page.click("#reveal")
    assert len(orders) > 1
    with page.expect_download() as download:
        page.click("#save")
    assert json.loads(Path(download.value.path()).read_text(encoding="utf-8"))["names"] == names


def test_a_hostile_file_name_stays_text(
    browser: Browser, brief_mix: Path, small_plan: Path, command: Callable[..., Ran], tmp_path: Path
) -> None:
    mix = tmp_path / "<img src=x onerror=alert(1)> '\u202egnp</title>.wav".replace("/", "\u2044")
    shutil.copy(brief_mix, mix)
    asked = ("--lufs", -10, "--config", small_plan, "--budget", 6, "-o", tmp_path / "out", "--whole-songs")
    ran = command("suggest", mix, *asked)
    assert ran.code in (0, 3), ran.err
    opened = Opened(browser, tmp_path / "out" / f"{mix.stem}.sheet.html")
    assert opened.complaints == []
    assert len(opened.requests) == 1
    assert opened.page.query_selector("img") is None
    assert "<img src=x onerror=alert(1)>" in opened.page.inner_text("h1")
    assert "\u202e" not in opened.page.content()
    opened.page.keyboard.press("Space")  # and its sound is found in a folder of that name
    opened.until("window.listening.position() > 0.1")
    assert opened.complaints == []
    opened.page.close()


@pytest.fixture(scope="module")
def clicked(
    brief_mix: Path, small_plan: Path, command: Callable[..., Ran], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Page of a mix with two clicks."""
    folder = tmp_path_factory.mktemp("clicked")
    samples, rate_hz = soundfile.read(brief_mix, dtype="float32", always_2d=True)
    for second in (2, 4):
        samples[second * rate_hz, 0] += 0.3
    soundfile.write(folder / "mix.wav", samples, rate_hz, subtype="PCM_24")
    ran = command("suggest", folder / "mix.wav", "--lufs", -10, "--config", small_plan, "--budget", 6, "-o", folder)
    assert ran.code in (0, 3), ran.err
    return folder / "mix.sheet.html"


def test_the_first_screen_leads_to_the_findings_and_the_song_to_their_places(browser: Browser, clicked: Path) -> None:
    opened = Opened(browser, clicked)
    page = opened.page
    page.click(".lead a[href='#findings']")
    opened_fold = "document.querySelector('details[open]:has(> :target) h2').textContent"
    assert page.evaluate(opened_fold) == "Is the mix ready?"
    assert "click" in page.inner_text(".found")
    wedge = page.query_selector(".song a.mark[aria-label='click at 0:02.0']")
    assert wedge is not None
    wedge.focus()
    page.keyboard.press("Enter")
    place = page.evaluate_handle("document.querySelector(':target')").as_element()
    assert place is not None
    assert place.is_visible()  # its fold has opened
    assert place.query_selector(".thin") is not None
    assert opened.complaints == []
    assert opened.requests[0] == clicked.as_uri()
    assert not [one for one in opened.requests if not one.startswith((clicked.as_uri(), "data:"))]
    page.close()


def test_a_place_of_a_finding_and_the_versions_do_not_play_at_once(browser: Browser, clicked: Path) -> None:
    opened = Opened(browser, clicked)
    page = opened.page
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.click("#play")
    opened.until("window.listening.state().running")
    page.click("button[data-extract]")
    opened.until("window.extracts.audio.currentTime > 0.1")
    assert not opened.state()["running"]
    page.click("#play")
    opened.until("window.listening.state().running")
    assert page.evaluate("window.extracts.audio.paused")
    # A picture of a place plays that place.
    page.click(".found figure:nth-of-type(2) svg")
    opened.until("window.extracts.audio.currentTime > 0.1")
    second = page.query_selector(".found figure:nth-of-type(2) button")
    assert second is not None
    assert page.evaluate("window.extracts.playing()") == second.get_attribute("data-extract")
    page.click("#play")
    opened.until("window.listening.state().running")
    page.evaluate("window.listening.stop()")
    # A fold is opened by the keyboard, and plays nothing.
    page.focus(".found summary")
    page.keyboard.press("Space")
    assert not opened.state()["running"]
    assert not page.evaluate("document.querySelector('.found details').open")
    assert opened.complaints == []
    page.close()


def test_a_time_in_the_picture_of_the_song_can_be_pressed(browser: Browser, clicked: Path) -> None:
    opened = Opened(browser, clicked)
    cue = opened.page.query_selector(".song rect[data-time]")
    assert cue is not None
    cue.scroll_into_view_if_needed()
    box = cue.bounding_box()
    assert box is not None
    opened.page.mouse.click(box["x"] + box["width"] / 2.0, box["y"] + 0.8 * box["height"])
    opened.until("window.listening.state().running")
    wanted = float(cue.get_attribute("data-time") or "nan")
    assert opened.page.evaluate("window.listening.mixTime()") == pytest.approx(wanted, abs=1.0)
    opened.page.close()


def test_the_contents_lead_to_every_section(opened: Opened) -> None:
    page = opened.page
    links = page.query_selector_all(".contents a")
    headings = [one.inner_text() for one in page.query_selector_all("summary h2")]
    assert [one.inner_text() for one in links] == headings
    assert page.query_selector_all("details[open]") == []
    ids = page.evaluate("[...document.querySelectorAll('[id]')].map((one) => one.id)")
    assert sorted(ids) == sorted(set(ids))  # or a link would lead to whichever comes first
    for link, heading in zip(links, headings, strict=True):
        link.click()
        assert page.evaluate("document.querySelector('details[open]:has(> :target) h2').textContent") == heading
        # What was asked for is in sight, and not under the player.
        top, bottom = page.evaluate(
            "[document.querySelector(':target').getBoundingClientRect().top,"
            " document.querySelector('.player').getBoundingClientRect().top]"
        )
        assert 0.0 <= top <= bottom - 20.0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_first_screen_has_the_verdict_the_chain_the_player_and_the_song(
    browser: Browser, run: Suggested, scheme: Any
) -> None:
    opened = Opened(browser, html_of(run), 1400, scheme)
    opened.page.set_viewport_size({"width": 1400, "height": 900})
    foot = opened.page.evaluate("document.querySelector('.player').getBoundingClientRect().top")
    assert foot > 800.0
    for kind in ("h1", ".lead", ".set table", ".song svg"):
        box = opened.page.query_selector(kind).bounding_box()  # type: ignore[union-attr]
        assert box is not None, kind
        assert 0.0 <= box["y"] <= box["y"] + box["height"] <= foot, kind
        assert 0.0 <= box["x"] <= box["x"] + box["width"] <= 1400.0, kind
    assert opened.page.query_selector(".set .wide") is None
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 1400
    if kept := os.environ.get("AUTOCHAIN_SCREENSHOTS"):
        opened.page.screenshot(path=f"{kept}/sheet-1400-{scheme}.png")
    opened.page.close()


def test_on_a_phone_they_follow_each_other_and_the_rest_is_folded(browser: Browser, run: Suggested) -> None:
    opened = Opened(browser, html_of(run), 390)
    tops = [
        opened.page.query_selector(kind).bounding_box()["y"]  # type: ignore[union-attr, index]
        for kind in ("h1", ".lead", ".set table", ".song svg", ".contents", "details:has(> summary > h2)")
    ]
    assert tops == sorted(tops)
    opened.page.close()


@pytest.mark.parametrize("width", [390, 1400])
def test_whoever_presses_a_time_has_the_player_in_sight(browser: Browser, run: Suggested, width: int) -> None:
    opened = Opened(browser, html_of(run), width)
    opened.page.click(".contents a[href='#times']")
    button = opened.page.query_selector(".cues button[data-time]")
    assert button is not None
    button.click()
    opened.until("window.listening.state().running")
    box = opened.page.query_selector("#play").bounding_box()  # type: ignore[union-attr]
    assert box is not None
    assert 0.0 <= box["y"] <= 800.0 - box["height"]
    # Of a phone it leaves most: a limit of this project.
    bar = opened.page.query_selector(".player").bounding_box()  # type: ignore[union-attr]
    assert bar is not None
    assert bar["height"] <= 160.0
    opened.page.close()


def test_the_picture_of_the_song_plays_from_where_it_is_pressed(opened: Opened) -> None:
    page = opened.page
    held = page.query_selector_all(".song rect[data-from]")[-1]
    held.scroll_into_view_if_needed()
    box = held.bounding_box()
    assert box is not None
    start, stop = (float(held.get_attribute(f"data-{end}") or "nan") for end in ("from", "to"))
    shares = [0.05 * k for k in range(2, 19)]
    # Where no time to listen at and no wedge is in the way.
    y = box["y"] + 0.6 * box["height"]
    free = next(
        share
        for share in shares
        if page.evaluate(
            "([x, y]) => document.elementFromPoint(x, y).hasAttribute('data-from')",
            [box["x"] + share * box["width"], y],
        )
    )
    page.mouse.click(box["x"] + free * box["width"], y)
    opened.until("window.listening.state().running")
    assert page.evaluate("window.listening.mixTime()") == pytest.approx(start + free * (stop - start), abs=1.0)


@pytest.mark.parametrize("width", [390, 1400])
def test_no_words_in_a_picture_run_into_each_other(browser: Browser, run: Suggested, width: int) -> None:
    opened = Opened(browser, html_of(run), width)
    overlapping = opened.page.evaluate(
        """() => [...document.querySelectorAll("figure svg")].flatMap((svg) => {
          const words = [...svg.querySelectorAll("text")].map((one) => [one.textContent, one.getBoundingClientRect()]);
          // A quarter of a line's height is air above and below its letters.
          const air = (box) => box.height / 4;
          return words.flatMap(([a, p], k) => words.slice(k + 1)
            .filter(([, q]) => p.left < q.right && q.left < p.right &&
              p.top + air(p) < q.bottom - air(q) && q.top + air(q) < p.bottom - air(p))
            .map(([b]) => `${a} / ${b}`));
        })"""
    )
    assert overlapping == []
    opened.page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_area_stands_out_of_the_paper_by_its_edge(browser: Browser, run: Suggested, scheme: str) -> None:
    opened = Opened(browser, html_of(run), 1000, scheme)
    colours = opened.page.evaluate(
        "[getComputedStyle(document.querySelector('figure svg .area')).stroke,"
        " getComputedStyle(document.body).backgroundColor]"
    )
    edge, paper = (luminance(np.array(re.findall(r"\d+", colour)[:3], dtype=float)) for colour in colours)
    # Contrast of graphics, 3 : 1 or more: W3C, Web Content Accessibility Guidelines 2.1, success criterion 1.4.11.
    assert (max(edge, paper) + 0.05) / (min(edge, paper) + 0.05) >= 3.0
    opened.page.close()


def test_wide_tables_are_stacked_on_a_phone_and_no_cell_loses_its_head(browser: Browser, clicked: Path) -> None:
    opened = Opened(browser, clicked, width=390)
    heads = opened.page.evaluate(
        "[...document.querySelectorAll('.stack tbody tr')].map((row) =>"
        " [...row.cells].map((cell) => cell.dataset.head))"
    )
    top = opened.page.evaluate(
        "[...document.querySelectorAll('.stack table')].flatMap((table) => [...table.tBodies[0].rows].map(() =>"
        " [...table.tHead.rows[0].cells].map((cell) => cell.textContent)))"
    )
    assert heads
    assert heads == top
    assert opened.page.evaluate(
        "[...document.querySelectorAll('.stack')].every((box) => box.scrollWidth <= box.clientWidth)"
    )
    opened.page.close()
