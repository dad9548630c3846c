"""Listening without names on the desk's page: what is hidden, what is heard, what is counted and kept."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pyebur128
import pytest
from playwright.sync_api import Browser, Page

from autochain.desk.abx import said
from autochain.taste import read_choices
from tests.conftest import Suggested
from tests.desk.hearing import Desk, Samples, desk_process, found_at, sheet_beside

RATE_HZ = 44100


@pytest.fixture(scope="module")
def song(demo_run: Callable[[str], Suggested], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sheet_beside(demo_run("dense_rock"), tmp_path_factory.mktemp("desk"))


@pytest.fixture(scope="module")
def desk(browser: Browser, song: Path) -> Iterator[Desk]:
    with desk_process(song, "-o", song.parent) as address:
        opened = Desk(browser, address, song.name)
        opened.verified()
        opened.from_start()
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def songs(desk: Desk) -> dict[str, Samples]:
    """Two versions, equally loud as songs."""
    return {key: desk.sent(key) for key in ("mix", "limiter_alone")}


@pytest.fixture
def page(desk: Desk) -> Iterator[Page]:
    yield desk.page
    if desk.page.is_visible("#end"):
        desk.page.click("#end")


def level_of(heard: Samples, song: Samples, at: int) -> tuple[float, float]:
    """Gain that makes a part of a song what was heard, and what is left over, both as ratios."""
    own, there = heard.astype(np.float64), song[at : at + len(heard)].astype(np.float64)
    gain = float((own * there).sum() / (there * there).sum())
    return gain, float(np.abs(own - gain * there).max() / np.abs(own).max())


def heard_in(desk: Desk, slot: int, songs: dict[str, Samples]) -> tuple[str, float]:
    """Which version a key plays, by its samples alone, and at which gain."""
    desk.page.keyboard.press(str(slot))
    desk.wait(0.15)
    for _ in range(8):  # a loop may start over in the middle of it, or the two not differ there
        desk.record()
        desk.wait(0.25)
        _, heard = desk.tape()
        found = {}
        for key, song in songs.items():
            found[key] = level_of(heard, song, found_at(heard, song))
        key, other = sorted(found, key=lambda one: found[one][1])
        if found[key][1] < 1e-4 and found[other][1] > 10.0 * found[key][1]:
            return key, found[key][0]
    raise AssertionError(found)


def lufs(samples: Samples) -> float:
    """Loudness as libebur128 reads it."""
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples).reshape(-1), len(samples))
    return float(pyebur128.get_loudness_global(state))


def test_names_are_hidden_and_no_version_takes_its_own_time(desk: Desk, page: Page) -> None:
    names = [one["name"] for one in page.evaluate("window.told")]
    page.click("#pairs")
    page.wait_for_function("document.getElementById('asked').textContent.includes('prefer')")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    for slot in "1212":
        page.keyboard.press(slot)
        desk.wait(0.1)
    assert page.locator("#switches button").all_inner_texts() == ["1 first", "2 second"]
    bar = page.inner_text("#player")
    # Neither names, nor what tells them: an estimate, a level difference.
    assert not [name for name in names if name in bar]
    assert "about" not in bar
    assert "taken out" not in bar
    attributes = page.evaluate(
        "[...document.querySelectorAll('#player *')].flatMap((one) => [...one.attributes].map((own) => own.value))"
    )
    assert not {one["key"] for one in page.evaluate("window.told")} & set(attributes)
    assert page.evaluate("window.listen.chosen()") is None
    assert page.evaluate("window.listen.heard()") is None
    assert page.evaluate("'hiddenNames' in document.documentElement.dataset")
    # All sound of both was there before either was heard.
    assert not [one for one in asked if "/sound/" in one]


def test_both_are_equally_loud_in_the_very_place(desk: Desk, page: Page, songs: dict[str, Samples]) -> None:
    desk.loud()
    page.evaluate("window.listen.play(2.0)")  # the song's quiet beginning
    page.select_option("#abx-first", "mix")
    page.select_option("#abx-second", "limiter_alone")
    with page.expect_request(lambda asked: "/loudness/" in asked.url) as measured:
        page.click("#abx")
    query = parse_qs(urlsplit(measured.value.url).query)
    first, frames = int(query["first"][0]), int(query["frames"][0])
    assert frames == 6 * RATE_HZ
    page.wait_for_function("document.getElementById('asked').textContent.includes('A or B')")
    levels = dict(heard_in(desk, slot, songs) for slot in (1, 2))
    assert levels.keys() == songs.keys()
    places = {key: song[first : first + frames] for key, song in songs.items()}
    apart = [lufs(places[key] * np.float32(gain)) for key, gain in levels.items()]
    # Closer than two programs read (ITU-R BS.1770-5 has meters right to 0.1 LU): the gain is told in full.
    assert apart[0] == pytest.approx(apart[1], abs=0.01)
    # As songs they were equally loud before; so without measuring the place they would not be as close.
    assert abs(lufs(places["mix"]) - lufs(places["limiter_alone"])) > 0.02


def test_in_ten_rounds_whoever_hears_gets_ten_right(desk: Desk, page: Page, songs: dict[str, Samples]) -> None:
    desk.loud()
    page.evaluate("window.listen.play(9.0)")  # where the limiter works
    page.select_option("#abx-first", "mix")
    page.select_option("#abx-second", "limiter_alone")
    page.select_option("#abx-planned", "10")
    page.click("#abx")
    turns = set()
    for number in range(1, 11):
        page.wait_for_function(f"document.getElementById('asked').textContent.includes('Round {number} of 10')")
        # Before all were heard no answer is taken.
        page.keyboard.press("a")
        assert f"Round {number} of 10" in page.inner_text("#asked")
        a, _ = heard_in(desk, 1, songs)
        page.keyboard.press("2")
        x, _ = heard_in(desk, 3, songs)
        turns.add(x)
        assert page.inner_text("#blind-result") == ""
        page.keyboard.press("a" if x == a else "b")
    page.wait_for_function("document.getElementById('blind-result').textContent.includes('by chance')")
    told = page.inner_text("#blind-result")
    assert said(10, 10, 10) in told
    assert f"A was {'mix' if a == 'mix' else 'limiter alone'}" in told
    assert turns == songs.keys()  # X was either: of ten the same is one in 512


def test_a_run_ended_early_tells_what_it_is_worth(page: Page) -> None:
    page.select_option("#abx-first", "mix")
    page.select_option("#abx-second", "suggestion")
    page.select_option("#abx-planned", "16")
    page.click("#abx")
    for number in (1, 2):
        page.wait_for_function(f"document.getElementById('asked').textContent.includes('Round {number} of 16')")
        for slot in "123":
            page.keyboard.press(slot)
        page.keyboard.press("a")
    page.wait_for_function("document.getElementById('asked').textContent.includes('Round 3')")
    page.click("#end")
    page.wait_for_function("document.getElementById('blind-result').textContent.includes('by chance')")
    assert "ended before its 16 rounds" in page.inner_text("#blind-result")
    assert not page.evaluate("'hiddenNames' in document.documentElement.dataset")


def test_choices_are_kept_with_their_costs_in_either_order(page: Page, song: Path) -> None:
    for box in page.locator("#blind-who input").all():
        box.set_checked(box.get_attribute("value") in ("limiter_alone", "trade_default"))
    sent: list[dict[str, object]] = []

    def note(url: str, data: str | None) -> None:
        if url.endswith("/do") and data and '"choose"' in data:
            sent.append(json.loads(data))

    page.on("request", lambda request: note(request.url, request.post_data))
    page.click("#pairs")
    for number in range(1, 15):
        page.wait_for_function(f"document.getElementById('asked').textContent.includes('Pair {number}:')")
        page.keyboard.press("1")
        page.keyboard.press("2")
        page.keyboard.press("f" if number % 2 else "s")
        assert page.inner_text("#blind-result") == ""
    page.wait_for_function("document.getElementById('asked').textContent.includes('Pair 15:')")
    page.keyboard.press("n")  # not heard yet: no answer
    page.click("#end")
    page.wait_for_function("document.getElementById('blind-result').textContent.includes('Kept: 14 of 14')")
    # Which comes first is shuffled: of fourteen all the same is one in 8,192.
    assert len({one["first"] for one in sent}) == 2
    kept = read_choices(song.parent / "choices.json").choices
    assert len(kept) == len(sent) == 14
    names = {"limiter_alone": "limiter alone", "trade_default": "trade default"}
    for one, asked in zip(kept, sent, strict=True):
        assert one.taken.name == names[str(asked["chosen"])]
        assert one.first.costs != one.second.costs
    liked = sum(asked["chosen"] == "limiter_alone" for asked in sent)
    assert f"limiter alone {liked} of 14" in page.inner_text("#blind-result")


def test_two_versions_of_the_same_settings_are_no_choice(page: Page) -> None:
    as_told = page.evaluate("window.told")
    own = next(one for one in as_told if one["key"] == "suggestion")
    same = [{**own, "key": "hand", "name": "your settings"} if one["key"] == "hand" else one for one in as_told]
    tell = "(list) => document.dispatchEvent(new CustomEvent('desk:versions', { detail: list }))"
    # In one go: the desk may tell the page of its versions at any moment.
    said = page.evaluate(
        f"""(list) => {{
          ({tell})(list);
          const boxes = [...document.querySelectorAll("#blind-who input")];
          boxes.forEach((box) => {{ box.checked = ["hand", "suggestion"].includes(box.value); }});
          document.getElementById("pairs").click();
          return document.getElementById("blind-result").textContent;
        }}""",
        same,
    )
    assert "that are not the same" in said
    assert page.is_hidden("#trial")
    page.evaluate(tell, as_told)
    page.check("#blind-who input[value=limiter_alone]")


def test_a_turned_setting_ends_it(page: Page) -> None:
    page.click("#pairs")
    page.wait_for_function("document.getElementById('asked').textContent.includes('prefer')")
    page.evaluate(
        "window.desk.act({ action: 'turn', stage: 'limiter', parameter: 'release_ms', value: 41.0, at_s: 1.0 })"
    )
    page.wait_for_function("document.getElementById('blind-result').textContent.includes('A setting was turned')")
    assert page.evaluate("window.listen.chosen()") == "hand"
