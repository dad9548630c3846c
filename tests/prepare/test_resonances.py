"""What is told of resonances in mixes, and that clean ones are left alone.

How often and how exactly, over hundreds of cases: `benchmarks/bench_resonance.py`. Here single clear ones, on seeds
that played no part in making the limits.
"""

from functools import cache

import numpy as np
import pytest
from scipy.signal import butter, firwin, lfilter, oaconvolve

from autochain.audio.signals import pink_noise, sine
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


def tilted(seconds=32.0, seed_shift=0):
    """Pink noise, both channels; quiet bursts of it keep it from being one level."""
    x = pink_noise(seconds, RATE_HZ, -20.0).astype(np.float32)
    return np.roll(x, seed_shift, axis=0)


def chords(seconds=32.0):
    """Four chords in turn, twelve partials a note, over pink noise 20 dB under them."""
    t = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    bars = []
    for root_hz in (220.0, 174.6, 261.6, 196.0):
        bar = np.zeros(t.size)
        for ratio in (1.0, 1.26, 1.498):
            for k in range(1, 13):
                bar += np.sin(2 * np.pi * root_hz * ratio * k * t + k) / k
        bars.append(bar * np.exp(-t))
    song = np.tile(np.concatenate(bars), round(seconds / 8.0))
    song *= 0.1 / np.sqrt(np.mean(song**2))
    return (song[:, None] + 0.1 * tilted(seconds)[: song.size] / np.std(tilted(seconds))).astype(np.float32)


def test_a_roll_off_into_a_noise_floor_is_none():
    b, a = butter(8, 5000.0, fs=RATE_HZ)
    floor = tilted(seed_shift=9999) * 10 ** (-50.0 / 20.0)
    assert told((lfilter(b, a, tilted(), axis=0) + floor).astype(np.float32)) == ()


@pytest.mark.parametrize("edge_hz", [6000.0, 8000.0])
def test_the_edge_of_a_band_limit_is_none(edge_hz):
    # as a codec cuts the side off: flat up to the edge, 60 dB less within a sixth of an octave
    taps = firwin(2047, edge_hz, fs=RATE_HZ)
    x = tilted()
    side = oaconvolve((x[:, 0] - x[:, 1]) / 2, taps, mode="same")
    mid = x.mean(axis=1)
    assert told(np.stack([mid + side, mid - side], axis=1).astype(np.float32)) == ()
    cut = np.stack([oaconvolve(lane, taps, mode="same") for lane in x.T], axis=1)
    assert told(cut.astype(np.float32)) == ()


@pytest.mark.parametrize("freq_hz", [3150.0, 9500.0])
def test_a_steady_tone_at_a_low_level_is_none(freq_hz):
    # a whistle or pilot 50 dB under the music: a line, which lifts nothing beside it
    assert told((tilted() + sine(freq_hz, 32.0, RATE_HZ, -70.0)).astype(np.float32)) == ()


@pytest.mark.parametrize("make", [tilted, chords])
@pytest.mark.parametrize(("freq_hz", "gain_db"), [(2600.0, 8.0), (3200.0, 8.0), (6000.0, 8.0), (6000.0, 6.0)])
def test_a_narrow_bell_on_noise_and_on_chords_is_told(make, freq_hz, gain_db):
    assert told(make()) == ()
    (found,) = told(lifted(make(), freq_hz, gain_db, 8.0))
    assert abs(np.log2(found.freq_hz / freq_hz)) <= 1 / 12
    assert (found.passing, found.channel) == (False, "stereo")


def test_a_broad_lift_is_tone_and_no_resonance():
    assert told(lifted(tilted(), 4000.0, 6.0, 0.7)) == ()


def test_a_hump_far_under_the_music_cannot_be_heard():
    # more than 50 dB under the loudest range at 9 kHz, bell included; a limit of this project
    b, a = butter(4, 700.0, fs=RATE_HZ)
    x = lfilter(b, a, tilted(), axis=0) + tilted(seed_shift=9999) * 10 ** (-70.0 / 20.0)
    assert told(lifted(x.astype(np.float32), 9000.0, 10.0, 8.0)) == ()


def test_little_music_is_not_judged():
    assert told(lifted(mix("sparse_acoustic")[: 20 * RATE_HZ], 4000.0, 9.0, 4.0)) == ()
