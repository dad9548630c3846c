"""The resonance map against the bells that were put in, and against what is none."""

import numpy as np
import pytest
from scipy.signal import lfilter

from autochain.audio.signals import pink_noise, sine
from autochain.measure.resonance import ResonanceMeter, bell_height_db, measure_resonance, seen_bell, swing_db

RATE_HZ = 44100


def lifted(samples, freq_hz, gain_db, q):
    # W3C Group Note "Audio EQ Cookbook" (2021), peakingEQ
    a, w0 = 10 ** (gain_db / 40), 2 * np.pi * freq_hz / RATE_HZ
    alpha = np.sin(w0) / (2 * q)
    b = np.array([1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a])
    d = np.array([1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a])
    return lfilter(b / d[0], d / d[0], samples, axis=0)


def noise(seconds=20.0):
    return pink_noise(seconds, RATE_HZ, -20.0).astype(np.float32)


def near(found, freq_hz):
    return int(np.argmin(np.abs(np.log2(found.freq_hz / freq_hz))))


@pytest.mark.parametrize(("freq_hz", "q"), [(1000.0, 4.0), (5000.0, 4.0), (2000.0, 6.0), (3000.0, 8.0), (7000.0, 8.0)])
def test_a_bell_on_noise_stands_out_by_its_own_height(freq_hz, q):
    # the gain that was put in; of q 8 the lower quartile of a twelfth of an octave reads a seventh less
    found = measure_resonance(lifted(noise(), freq_hz, 6.0, q).astype(np.float32), RATE_HZ)
    standing = found.standing_db()[0]
    assert standing[near(found, freq_hz)] == pytest.approx(6.0 if q < 8.0 else 5.2, abs=1.2)
    assert abs(int(np.argmax(standing)) - near(found, freq_hz)) <= 1


def test_a_note_is_a_line_and_no_resonance():
    x = noise()
    for freq_hz in (659.3, 1318.5, 2637.0):  # 20 to 30 dB over the noise in the same bands
        x = x + sine(freq_hz, 20.0, RATE_HZ, -18.0).astype(np.float32)
    found = measure_resonance(x, RATE_HZ)
    plain = measure_resonance(noise(), RATE_HZ)
    for freq_hz in (659.3, 1318.5, 2637.0):
        at = near(found, freq_hz)
        assert abs(found.standing_db()[0, at] - plain.standing_db()[0, at]) < 1.5


def test_a_straight_spectrum_has_no_excess_and_a_bell_on_it_has_its_height():
    # closed form: a straight line is what the fit allows for
    u = np.linspace(-4.0, 4.0, 203)
    assert np.abs(bell_height_db(3.0 * u)[30:-30]).max() < 1e-9
    shape = 5.0 * seen_bell(np.arange(-101, 102) / 24.0, 8.0)
    assert bell_height_db(shape - 6.0 * u)[101] == pytest.approx(5.0, abs=1e-9)


def test_hits_of_every_band_leave_nothing_over_but_a_bell_that_comes_and_goes_does():
    # A gate over all bands is music; the same gate on one bell is what passes.
    gate = np.repeat(np.arange(20) % 5 < 2, RATE_HZ)[:, None].astype(np.float32)
    x = noise()
    hits = measure_resonance((x * (0.3 + 0.7 * gate)).astype(np.float32), RATE_HZ)
    passing = measure_resonance((x + (lifted(x, 2000.0, 6.0, 4.0) - x) * gate).astype(np.float32), RATE_HZ)
    at = near(hits, 2000.0)
    assert swing_db(hits.left_over_db())[0, near(hits, 1000.0) :].max() < 1.0  # below, a band has few bins
    swing = swing_db(passing.left_over_db())[0]
    swing[: near(hits, 1000.0)] = 0.0
    # In noise nothing else moves, so that the bell's own skirts predict part of it: 6 dB read less than 2, less what is
    # usual around it, which are the skirts again.
    assert swing[at] > 1.2
    assert abs(int(np.argmax(swing)) - at) <= 6


def test_an_excess_that_stays_lasts_and_one_that_comes_and_goes_does_not():
    # 2 of 5 s are less than the 65 % of the seconds that count
    gate = np.repeat(np.arange(20) % 5 < 2, RATE_HZ)[:, None].astype(np.float32)
    x = noise()
    bell = (lifted(x, 3000.0, 6.0, 4.0) - x).astype(np.float32)
    stays, goes = measure_resonance(x + bell, RATE_HZ), measure_resonance(x + bell * gate, RATE_HZ)
    at = near(stays, 3000.0)
    assert stays.lasting_db()[0, at] > 4.0
    assert goes.lasting_db()[0, at] < 1.0
    assert goes.standing_db()[0, at] > 1.5
    assert not measure_resonance(x[: RATE_HZ // 2], RATE_HZ).lasting_db().any()


def test_lanes_tell_where_it_lives():
    x = noise()  # independent between channels
    mix = np.concatenate([lifted(x[:, :1], 3000.0, 6.0, 4.0), x[:, 1:]], axis=1).astype(np.float32)
    found = measure_resonance(mix, RATE_HZ)
    standing = found.standing_db()[:, near(found, 3000.0)]
    assert standing[2] > 5.0
    assert abs(standing[3]) < 1.0
    assert 2.0 < standing[0] < 5.0  # closed form: half the power lifted by 6 dB is 3.97 dB


def test_one_channel_has_one_lane_and_silence_no_window():
    assert measure_resonance(noise(3.0)[:, :1], RATE_HZ).floor_db.shape[1] == 1
    silent = measure_resonance(np.zeros((RATE_HZ, 2), dtype=np.float32), RATE_HZ)
    assert silent.time_s.size == 0
    assert measure_resonance(np.zeros((100, 2), dtype=np.float32), RATE_HZ).floor_db.shape[0] == 0


def test_the_blocks_do_not_change_the_result():
    x = noise(8.0)
    whole, meter = measure_resonance(x, RATE_HZ), ResonanceMeter(RATE_HZ, 2)
    for start in range(0, len(x), 7001):
        meter.push(x[start : start + 7001])
    assert np.array_equal(meter.result().floor_db, whole.floor_db)
    assert np.array_equal(meter.result().time_s, whole.time_s)
