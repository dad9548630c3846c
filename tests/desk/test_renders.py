"""Versions to listen to: from any place at once, and to the bit what a render has once they are rendered."""

import time

import numpy as np
import pytest

from autochain.chain.chain import DEFAULT
from autochain.chain.output import with_ends
from autochain.chain.settings import OUTPUT
from autochain.desk.renders import Passing, Renders, Stored
from tests.desk.songs import SETTINGS, song

MIX = song(12.0)
RATE = MIX.rate_hz


@pytest.fixture(scope="module")
def whole() -> np.ndarray:
    return DEFAULT.render(MIX.samples, RATE, SETTINGS).samples


@pytest.fixture
def renders():
    made = Renders(MIX)
    yield made
    made.close()


def test_from_the_beginning_it_is_the_render_to_the_bit_however_it_is_asked_for(whole) -> None:
    passing = Passing(MIX, DEFAULT, SETTINGS, 0)
    parts = [passing.take(frames) for frames in (1, 100, 44100, 3, 200_000)]
    parts.append(passing.take(10 * len(whole)))
    assert np.array_equal(np.concatenate(parts), whole)
    assert not len(passing.take(100))


@pytest.mark.parametrize("first", [1, 44100, 5 * 44100 + 123, 12 * 44100 - 50])
def test_elsewhere_what_follows_on_is_the_same_stream(whole, first: int) -> None:
    one, other = Passing(MIX, DEFAULT, SETTINGS, first), Passing(MIX, DEFAULT, SETTINGS, first)
    at_once = one.take(3 * RATE)
    in_parts = np.concatenate([other.take(777) for _ in range(-(-3 * RATE // 777))])[: 3 * RATE]
    assert np.array_equal(at_once, in_parts)
    assert np.abs(at_once - whole[first : first + len(at_once)]).max() < 1e-4


@pytest.mark.parametrize("first", [0, 300, 44100, 11 * 44100, 12 * 44100 - 1000])
def test_ends_of_a_stretch_are_those_of_the_stage(first: int) -> None:
    own = SETTINGS[OUTPUT]
    staged = DEFAULT.stages[OUTPUT].process(MIX.samples, RATE, own).samples
    part = with_ends(MIX.samples[first : first + 20_000], first, len(MIX.samples), RATE, own)
    assert np.array_equal(part, staged[first : first + 20_000])


def is_whole(renders: Renders, settings=SETTINGS) -> bool:
    """Whether all of a version is on disk: nobody else asks that, since it is heard either way."""
    one = renders._known.get((tuple(DEFAULT.stages), settings))
    return one is not None and one.stored is not None and one.stored.complete


def finished(renders: Renders, settings=SETTINGS) -> None:
    until = time.monotonic() + 60.0
    while not is_whole(renders, settings):
        assert time.monotonic() < until
        time.sleep(0.01)


def test_the_first_seconds_are_there_at_once_and_all_of_it_soon(renders, whole) -> None:
    assert np.array_equal(renders.read(DEFAULT, SETTINGS, 0, 2 * RATE), whole[: 2 * RATE])
    jumped = renders.read(DEFAULT, SETTINGS, 9 * RATE, RATE)
    assert np.abs(jumped - whole[9 * RATE : 10 * RATE]).max() < 1e-4
    finished(renders)
    for first, frames in ((0, len(whole)), (5 * RATE, 100), (len(whole) - 5, 100)):
        assert np.array_equal(renders.read(DEFAULT, SETTINGS, first, frames), whole[first : first + frames])


def test_nothing_is_rendered_while_something_is_being_turned(renders) -> None:
    with renders.held():
        renders.read(DEFAULT, SETTINGS, 0, 100)
        time.sleep(0.3)
        assert not is_whole(renders)
    finished(renders)


def test_a_render_that_was_made_elsewhere_is_read(renders) -> None:
    stored = Stored(len(MIX.samples), MIX.channels)
    stored.append(MIX.samples * np.float32(0.5))
    renders.put(DEFAULT, SETTINGS, stored)
    assert np.array_equal(renders.read(DEFAULT, SETTINGS, 1000, 50), MIX.samples[1000:1050] * np.float32(0.5))


def test_the_least_used_go_where_there_is_no_room() -> None:
    renders = Renders(MIX, most_bytes=2 * 4 * MIX.samples.size)
    try:
        kinds = [SETTINGS.with_("limiter", release_ms=float(ms)) for ms in (10, 20, 30)]
        for settings in kinds[:2]:
            renders.read(DEFAULT, settings, 0, 10)
            finished(renders, settings)
        renders.read(DEFAULT, kinds[0], 0, 10)
        renders.read(DEFAULT, kinds[2], 0, 10)
        finished(renders, kinds[2])
        assert [is_whole(renders, settings) for settings in kinds] == [True, False, True]
    finally:
        renders.close()


def test_a_full_disk_is_no_silence(renders, whole, monkeypatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Stored, "append", full)
    parts = [renders.read(DEFAULT, SETTINGS, first, RATE) for first in range(0, 3 * RATE, RATE)]
    assert np.array_equal(np.concatenate(parts), whole[: 3 * RATE])
