"""Holes of known place and length."""

import numpy as np
import pytest

from autochain.audio.signals import faded, noise, sine, struck
from autochain.measure.dropouts import find_dropouts
from autochain.measure.spikes import measure_spikes

RATE_HZ = 48000


@pytest.mark.parametrize("length_ms", [5, 20, 200, 450])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_hole_is_found_with_its_length(length_ms: int, channels: int) -> None:
    sound = noise(3.0, RATE_HZ, -20.0, channels)
    sound[RATE_HZ : RATE_HZ + 48 * length_ms] = 0.0
    (hole,) = find_dropouts(measure_spikes(sound, RATE_HZ))
    assert hole.at_s == pytest.approx(1.0, abs=0.0011)  # a grid of 1 ms
    assert hole.length_s == pytest.approx(length_ms / 1000.0, abs=0.0011)
    assert hole.channels == ("both" if channels == 2 else "left")


@pytest.mark.parametrize(("channel", "name"), [(0, "left"), (1, "right")])
def test_a_hole_in_one_channel_is_told_to_be_there(channel: int, name: str) -> None:
    sound = noise(3.0, RATE_HZ, -20.0)
    sound[RATE_HZ : RATE_HZ + 960, channel] *= 0.001
    assert [hole.channels for hole in find_dropouts(measure_spikes(sound, RATE_HZ))] == [name]


def test_what_is_no_hole_is_not_found() -> None:
    bass = sine(30.0, 3.0, RATE_HZ)  # passes through zero, 60 times a second
    hits = struck(noise(3.0, RATE_HZ, -12.0), RATE_HZ)
    rest = noise(3.0, RATE_HZ, -20.0)
    rest[RATE_HZ : 2 * RATE_HZ] = 0.0  # a second of rest is no drop-out
    swell = noise(3.0, RATE_HZ, -20.0)
    swell[:RATE_HZ] = faded(swell[:RATE_HZ], 0.1, RATE_HZ)  # 100 ms to silence and back
    for sound in (bass, hits, rest, swell, np.zeros((RATE_HZ, 2))):
        assert find_dropouts(measure_spikes(sound, RATE_HZ)) == ()
