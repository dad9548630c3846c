"""What is told of resonances in mixes, and that clean ones are left alone.

How often and how exactly, over hundreds of cases: `benchmarks/bench_resonance.py`. Here single clear ones, on seeds
that played no part in making the limits.
"""

from functools import cache

import numpy as np
import pytest
from scipy.signal import lfilter

from autochain.demo import CHARACTERS, make_demo
from autochain.measure.resonance import measure_resonance
from autochain.prepare.resonances import find_resonances

RATE_HZ = 44100


@cache
def mix(character, seed=31):
    return make_demo(character, RATE_HZ, 32.0, seed)


def lifted(samples, freq_hz, gain_db, q):
    # W3C Group Note "Audio EQ Cookbook" (2021), peakingEQ
    a, w0 = 10 ** (gain_db / 40), 2 * np.pi * freq_hz / RATE_HZ
    alpha = np.sin(w0) / (2 * q)
    b = np.array([1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a])
    d = np.array([1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a])
    return lfilter(b / d[0], d / d[0], samples, axis=0).astype(np.float32)


def told(samples):
    return find_resonances(measure_resonance(samples, RATE_HZ))


@pytest.mark.parametrize("character", CHARACTERS)
def test_a_clean_mix_has_none(character):
    assert told(mix(character)) == ()


@pytest.mark.parametrize(("freq_hz", "q"), [(2500.0, 4.0), (4000.0, 6.0), (7000.0, 3.0)])
def test_a_standing_resonance_is_told_with_frequency_and_channel(freq_hz, q):
    found = told(lifted(mix("sparse_acoustic"), freq_hz, 8.0, q))
    assert len(found) == 1
    assert abs(np.log2(found[0].freq_hz / freq_hz)) <= 1 / 12
    assert (found[0].channel, found[0].passing, found[0].share) == ("stereo", False, 1.0)
    assert 5.0 < found[0].excess_db < 12.0


def test_one_that_comes_and_goes_is_told_as_such_with_its_share_and_times():
    x = mix("bass_heavy_electronic")
    there = np.zeros(x.shape[0], dtype=np.float32)
    for start_s in range(2, 28, 5):  # 2 of 5 s
        there[start_s * RATE_HZ : (start_s + 2) * RATE_HZ] = 1.0
    found = told(x + (lifted(x, 4000.0, 8.0, 4.0) - x) * there[:, None])
    assert len(found) == 1
    assert found[0].passing
    assert found[0].share == pytest.approx(0.4, abs=0.12)
    assert abs(np.log2(found[0].freq_hz / 4000.0)) <= 1 / 12
    assert all((t - 2.0) % 5.0 < 2.4 for t in found[0].times_s)


@pytest.mark.parametrize("channel", ["mid", "side", "left", "right"])
def test_the_channel_in_which_it_lives_is_told(channel):
    x = mix("brass_led_asymmetric")
    more = lifted(x, 3500.0, 8.0, 4.0) - x
    if channel == "mid":
        more = np.repeat(more.mean(axis=1, keepdims=True), 2, axis=1)
    elif channel == "side":
        half = (more[:, :1] - more[:, 1:]) / 2
        more = np.concatenate([half, -half], axis=1)
    else:
        more[:, 1 if channel == "left" else 0] = 0.0
    assert [r.channel for r in told(x + more)] == [channel]


def test_little_music_is_not_judged():
    assert told(lifted(mix("sparse_acoustic")[: 20 * RATE_HZ], 4000.0, 9.0, 4.0)) == ()
