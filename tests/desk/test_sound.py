"""What the desk's page plays, taken from Chromium's output, beside what the chain renders."""

import json
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from playwright.sync_api import Browser, Route

from autochain.audio.files import read_mix
from autochain.chain.settings import OUTPUT
from autochain.earlier.read import read_sheet
from autochain.render.sheet_chain import sheet_chain
from tests.conftest import Suggested
from tests.desk.hearing import (
    Desk,
    Samples,
    TornError,
    desk_process,
    found_at,
    looped,
    on_a_whole_tape,
    sheet_beside,
)

RATE_HZ = 44100
BEGIN_S = (2.77 - 0.1 * k for k in range(8))  # each another place
RELEASES_MS = count(20)  # each another turn
FADE = RATE_HZ // 100
_AT_ONCE_S = 0.1  # from the key to the first sample: a limit of this project
# In one go with what stands before it, so that nothing is played in between.
_REPEAT = "document.body.dispatchEvent(new KeyboardEvent('keydown', { key: 'r', bubbles: true }))"
EXACT = 8 * 2.0**-24  # at full scale: gains of version, voice and loop, each rounded to float32, there and here


@pytest.fixture(scope="module")
def song(demo_run: Callable[[str], Suggested], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A mix of 14 s with its sheet beside it."""
    return sheet_beside(demo_run("dense_rock"), tmp_path_factory.mktemp("desk"))


@pytest.fixture(scope="module")
def mix(song: Path) -> Samples:
    return read_mix(song).samples


@pytest.fixture(scope="module")
def address(song: Path) -> Iterator[str]:
    with desk_process(song, "-o", song.parent) as found:
        yield found


@pytest.fixture(scope="module")
def page(browser: Browser, address: str, song: Path) -> Iterator[Desk]:
    opened = Desk(browser, address, song.name)
    opened.verified()
    yield opened
    opened.close()


@pytest.fixture
def desk(page: Desk) -> Desk:
    """The page, playing the mix from its start at full level."""
    page.from_start()
    return page


def crossfaded(before: Samples, after: Samples, at: int) -> Samples:
    """One, and from a frame on the other behind a linear crossfade of 10 ms."""
    share = np.clip((np.arange(len(before)) - at) / FADE, 0.0, 1.0)[:, None]
    return (before * (1.0 - share) + after * share).astype(np.float32)


def first_other(heard: Samples, before: Samples) -> int:
    """Frame before the first that is not what was heard before."""
    return int(np.flatnonzero(np.abs(heard - before).max(axis=1) > EXACT)[0]) - 1


@on_a_whole_tape
def test_the_mix_is_heard_to_the_sample_over_the_ends_of_its_blocks(desk: Desk, mix: Samples) -> None:
    desk.record()
    desk.taped(4.5)  # two ends of blocks of 2 s at least
    _, heard = desk.tape()
    at = found_at(heard, mix)
    assert len(heard) > 4 * RATE_HZ
    assert np.abs(heard - mix[at : at + len(heard)]).max() < EXACT


@on_a_whole_tape
def test_the_suggestion_is_heard_as_the_chain_renders_it_and_as_loud_as_the_mix(
    desk: Desk, mix: Samples, song: Path
) -> None:
    chain, settings = sheet_chain(read_sheet(song.with_suffix(".sheet.json")))
    rendered = chain.render(mix, RATE_HZ, settings.without(OUTPUT)).samples
    gain = np.float32(10.0 ** (desk.version("suggestion")["gain_db"] / 20.0))
    assert gain < 0.9
    desk.page.keyboard.press("3")
    desk.until("window.listen.heard().key === 'suggestion'")
    desk.played(1.5)
    desk.record()
    desk.taped(3.0)
    _, heard = desk.tape()
    at = found_at(heard, gain * rendered)
    assert np.abs(heard - gain * rendered[at : at + len(heard)]).max() < EXACT


@on_a_whole_tape
def test_a_switch_is_at_once_at_the_same_place_and_a_linear_crossfade_of_10_ms(
    desk: Desk, mix: Samples, browser: Browser, address: str, song: Path
) -> None:
    found_s = switched_after_s(desk, mix)
    for _ in range(6):  # of a page that a busy machine made late, later switches are late as well: on others
        if found_s >= _AT_ONCE_S:
            fresh = Desk(browser, address, song.name)
            try:
                fresh.verified()
                fresh.from_start()
                found_s = min(found_s, switched_after_s(fresh, mix))
            finally:
                fresh.close()
    assert found_s < _AT_ONCE_S


def switched_after_s(desk: Desk, mix: Samples) -> float:
    """From the key to the first sample of the other version, which takes over as it has to."""
    other = desk.sent("limiter_alone")
    desk.played(1.0)  # what is not heard is fetched meanwhile
    desk.page.evaluate(
        "addEventListener('keydown', () => (window.pressed = window.tape.context.currentTime), { capture: true })"
    )
    desk.record()
    desk.taped(0.3)
    desk.page.keyboard.press("4")
    desk.taped(1.5)
    began, heard = desk.tape()
    at = found_at(heard, mix)
    before, after = mix[at : at + len(heard)], other[at : at + len(heard)]
    switched = first_other(heard, before)
    assert np.abs(heard - crossfaded(before, after, switched)).max() < EXACT
    assert np.abs(before - after)[switched:].max() > 0.01
    pressed_s: float = desk.page.evaluate("window.pressed")
    return (began + switched) / RATE_HZ - pressed_s


@on_a_whole_tape
def test_a_place_repeats_to_the_sample_with_soft_edges(desk: Desk, mix: Samples) -> None:
    with desk.page.expect_request(lambda asked: asked.url.endswith("/do")) as told:
        desk.page.evaluate(f"(window.listen.play(2.5), {_REPEAT}, 0)")
    start_s = json.loads(told.value.post_data or "")["start_s"]
    first = round(start_s * RATE_HZ)
    # Two seconds before the key, and on whole hundredths as the desk places it.
    assert start_s == pytest.approx(0.5, abs=0.3)
    assert first % (RATE_HZ // 100) == 0
    desk.until("window.listen.position() > 2.6")
    desk.record()
    desk.taped(6.5)
    _, heard = desk.tape()
    assert len(heard) > 6 * RATE_HZ
    begun = found_at(heard, mix)  # the place ends seconds later
    frames, gain = looped(first, first + 6 * RATE_HZ, begun, len(heard), FADE)
    assert np.flatnonzero(np.diff(frames) < 0).size == 1
    assert np.abs(heard - mix[frames] * gain[:, None]).max() < EXACT


@on_a_whole_tape
def test_another_time_takes_over_in_a_crossfade(desk: Desk, mix: Samples) -> None:
    desk.record()
    desk.taped(0.3)
    desk.page.evaluate(
        """() => {
          const button = document.createElement("button");
          button.dataset.time = "6.5";
          document.querySelector("h1").append(button);
          button.click();
        }"""
    )
    desk.until("window.listen.position() > 5.6")
    desk.taped(0.3)
    _, heard = desk.tape()
    at, end = found_at(heard, mix), found_at(heard[-8000:], mix)
    before = mix[at : at + len(heard)]
    switched = first_other(heard, before)
    there = end - (len(heard) - 8000) + switched
    # A second before the time that was pressed.
    assert there == round(5.5 * RATE_HZ)
    after = np.zeros_like(before)
    after[switched:] = mix[there : there + len(heard) - switched]
    assert np.abs(heard - crossfaded(before, after, switched)).max() < EXACT


def test_a_place_that_is_still_being_fetched_is_the_one_that_is_repeated(desk: Desk) -> None:
    asked = f"(window.listen.play(9.05), window.listen.choose('trade_default'), {_REPEAT}, window.listen.position())"
    with desk.page.expect_request(lambda asked: asked.url.endswith("/do")) as told:
        assert desk.page.evaluate(asked) == pytest.approx(9.05, abs=0.1)
    assert json.loads(told.value.post_data or "")["start_s"] == pytest.approx(7.05, abs=0.5)
    # It repeats, so that it comes by again on a machine that looks late.
    desk.until("window.listen.heard().key === 'trade_default' && Math.abs(window.listen.position() - 9.05) < 1")


@on_a_whole_tape
def test_a_turned_knob_replaces_what_is_heard_at_the_same_place(desk: Desk, mix: Samples) -> None:
    desk.verified()
    with desk.page.expect_response(lambda answered: answered.url.endswith("/do")):
        desk.page.keyboard.press("r")
    desk.played(1.0)
    desk.record()
    desk.taped(0.2)
    desk.page.evaluate(
        """(value) => window.desk.act({ action: "turn", stage: "limiter", parameter: "release_ms", value,
          at_s: window.listen.position() })""",
        next(RELEASES_MS),
    )
    desk.until("window.place && window.listen.heard().revision === window.place.revision")
    desk.taped(0.4)
    _, heard = desk.tape()
    assert desk.page.evaluate("window.listen.chosen()") == "hand"
    place = desk.page.evaluate("window.place")
    first, stop = round(place["start_s"] * RATE_HZ), round(place["stop_s"] * RATE_HZ)
    new = np.zeros_like(mix)
    new[first:stop] = desk.sent("hand", first, stop - first)
    if desk.version("hand")["revision"] != place["revision"]:
        raise TornError("The whole song was verified before the tape was looked at.")
    at = found_at(heard, mix)
    frames, gain = looped(first, stop, at, len(heard), FADE)
    before, after = ((song[frames] * gain[:, None]).astype(np.float32) for song in (mix, new))
    switched = first_other(heard, before)
    assert np.abs(heard - crossfaded(before, after, switched)).max() < EXACT
    assert np.abs(before - after)[switched:].max() > 1e-3


@on_a_whole_tape
def test_a_knob_turned_while_nothing_plays_is_heard_from_the_next_play_on(desk: Desk) -> None:
    page = desk.page
    page.keyboard.press("Space")
    desk.played(0.2)
    desk.record()
    where = page.evaluate("window.listen.position()")
    page.evaluate(
        f"window.desk.act({{ action: 'turn', stage: 'limiter', parameter: 'release_ms', value: 31.0, at_s: {where} }})"
    )
    desk.until("window.listen.chosen() === 'hand'")
    desk.taped(0.5)
    _, heard = desk.tape()
    assert not heard.any()
    assert not page.evaluate("window.listen.playing()")
    # It is verified meanwhile, and what is heard then is exact.
    desk.verified()
    new = desk.sent("hand")
    desk.record()
    page.keyboard.press("Space")
    desk.taped(1.0)
    _, heard = desk.tape()
    begun = int(np.flatnonzero(heard.any(axis=1))[0])
    at = found_at(heard[begun + FADE :], new) - FADE
    risen = np.clip((np.arange(len(heard) - begun) + 1) / FADE, 0.0, 1.0)[:, None]
    assert np.abs(heard[begun:] - new[at : at + len(heard) - begun] * risen).max() < EXACT
    assert at == pytest.approx(where * RATE_HZ, abs=FADE)


@on_a_whole_tape
def test_the_song_ends_with_its_last_sample(desk: Desk, mix: Samples) -> None:
    begin_s = len(mix) / RATE_HZ - 1.0
    desk.page.evaluate(f"window.listen.play({begin_s})")
    desk.until(f"window.listen.position() > {begin_s + 0.05} || !window.listen.playing()")
    desk.record()
    if not desk.page.evaluate("window.listen.playing()"):
        raise TornError("It ended before it was taped.")
    desk.until("!window.listen.playing()")
    desk.taped(0.2)
    _, heard = desk.tape()
    at = found_at(heard, mix)
    left = len(mix) - at
    assert np.abs(heard[:left] - mix[at:]).max() < EXACT
    assert not heard[left:].any()
    assert desk.page.evaluate("window.listen.position()") == 0.0


@on_a_whole_tape
def test_sound_that_does_not_come_is_told_asked_for_again_and_ends_softly(desk: Desk, mix: Samples) -> None:
    page, begin_s = desk.page, next(BEGIN_S)
    silent = True

    def answer(route: Route) -> None:
        first = int(parse_qs(urlsplit(route.request.url).query)["first"][0])
        if silent and first > RATE_HZ:
            route.abort()
        else:
            route.continue_()

    page.route("**/sound/**", answer)
    # Blocks begin elsewhere now: none is there yet.
    with page.expect_response(lambda answered: answered.url.endswith("/do")):
        page.evaluate(f"(window.listen.play({begin_s}), {_REPEAT}, 0)")
    page.keyboard.press("r")
    page.evaluate("window.listen.play(0)")
    desk.until("window.listen.position() > 0.1")
    desk.record()
    if page.evaluate("window.listen.position()") > 1.5:
        page.unroute("**/sound/**")
        raise TornError("Its end was near before it was taped.")
    desk.until("document.getElementById('listen-said').textContent.includes('does not answer')")
    desk.until("document.getElementById('state').textContent.includes('waiting for sound')")
    desk.taped(0.5)
    silent = False
    desk.until("document.getElementById('listen-said').textContent === ''")
    desk.taped(0.5)
    page.unroute("**/sound/**")
    assert all("Failed to load" in one for one in desk.complaints)
    desk.complaints.clear()
    _, heard = desk.tape()
    at = found_at(heard, mix)
    gone = np.flatnonzero(~heard[FADE:].any(axis=1)) + FADE
    assert len(gone) > 0
    ended, back = int(gone[0]), int(gone[-1])
    share = np.clip((ended - np.arange(ended)) / FADE, 0.0, 1.0)[:, None]
    assert np.abs(heard[:ended] - mix[at : at + ended] * share).max() < EXACT
    # And it goes on where it was, softly.
    risen = np.clip(np.arange(len(heard) - back) / FADE, 0.0, 1.0)[:, None]
    assert np.abs(heard[back:] - mix[at + ended : at + ended + len(risen)] * risen).max() < EXACT


def test_no_more_than_a_minute_of_sound_is_held(desk: Desk) -> None:
    for _ in range(10):
        for key in "12345":
            desk.page.keyboard.press(key)
            desk.page.keyboard.press("ArrowRight" if key != "5" else "ArrowLeft")
        desk.page.evaluate("window.listen.play(14 * Math.random())")
        desk.played(0.05)
    assert desk.page.evaluate("window.listen.heldS()") <= 60.0
    assert desk.complaints == []
