"""Where a rotation is decided: on the parts of a mix that stand out."""

import numpy as np
import pyloudnorm
import pytest

from autochain.audio.signals import noise, sine
from autochain.config.model import Excerpts
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.search.rotation import telling_starts
from tests.levels import at_loudness

RATE = 44100
HOP = RATE // 100
PLAN = Excerpts(count=4, length_s=5.2, preroll_s=2.0)


def test_a_part_is_taken_of_each_thing_that_stands_out():
    """Forty-eight seconds with one thing in each quarter; nowhere else is that thing."""
    quarter = 12.0
    t = np.arange(round(quarter * RATE)) / RATE
    steady = at_loudness(noise(quarter, RATE, seed=1), -21.0, RATE)
    loud = at_loudness(noise(quarter, RATE, seed=2), -17.0, RATE)
    clicks = np.sin(2.0 * np.pi * 3000.0 * t) * (t % 0.05 < 0.002) * (t % 0.8 < 0.4)
    hits = at_loudness(clicks[:, None] + noise(quarter, RATE, -50.0, seed=3), -18.5, RATE)
    half = np.maximum(sine(440.0, quarter, RATE), 0.0) - 1.0 / np.pi  # half a sine reaches 6.6 dB further up than down
    lean = at_loudness(half + noise(quarter, RATE, -60.0, seed=4), -18.0, RATE)
    samples = np.concatenate([steady, loud, hits, lean])
    hops = weighted_hops(samples, RATE)
    starts = telling_starts(samples, RATE, hops, integrated_lufs(hops), PLAN)
    assert len(starts) == 4
    assert np.diff(starts).min() >= 520
    for number in (1, 2, 3):
        inside = [s for s in starts if quarter * number * 100 - 40 <= s <= quarter * (number + 1) * 100 - 480]
        assert inside, number
    # The fourth is as loud as the song.
    meter = pyloudnorm.Meter(RATE)
    heard = [meter.integrated_loudness(samples[s * HOP : s * HOP + 520 * HOP]) for s in starts]
    assert min(abs(h - meter.integrated_loudness(samples)) for h in heard) == pytest.approx(0.0, abs=0.5)
