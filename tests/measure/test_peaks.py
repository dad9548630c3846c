"""Peak-to-loudness figures against closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autochain.audio.signals import noise, sine, struck, tones
from autochain.measure.loudness import HopMeter, integrated_lufs, short_term_lufs, weighted_hops
from autochain.measure.peaks import plr_db, psr_db
from autochain.measure.true_peak import HopPeakMeter, annex2_dbtp, hop_peaks


def psr(samples: np.ndarray, rate_hz: int = 48000):
    return psr_db(hop_peaks(samples, rate_hz), weighted_hops(samples, rate_hz))


def test_plr_is_true_peak_minus_integrated():
    # EBU Tech 3343: -1 dBTP and -9 LUFS make 8 dB
    assert plr_db(-1.0, -9.0) == 8.0


def test_plr_of_silence_does_not_exist():
    assert plr_db(None, None) is plr_db(-1.0, None) is plr_db(None, -9.0) is None


def test_steady_sine_has_the_same_psr_everywhere_and_as_much_plr():
    samples = sine(997.0, 8.0, 48000, -10.0)
    figures = psr(samples)
    # BS.1770-5 Annex 1: a 997 Hz stereo sine of p dBFS reads p LUFS, so PSR = 0; Annex 2 reads the tone's
    # peak within 0.02 dB, the hard end 0.1 dB higher
    assert figures.min_db == pytest.approx(0.0, abs=0.03)
    assert figures.median_db == pytest.approx(0.0, abs=0.03)
    integrated = integrated_lufs(weighted_hops(samples, 48000))
    assert plr_db(annex2_dbtp(samples), integrated) == pytest.approx(0.0, abs=0.15)


def test_psr_takes_peak_and_loudness_from_the_same_window():
    samples = noise(7.0, 48000)
    samples[48000 * 4 + 100] = 0.99  # one click in hop 400
    hops, peaks = weighted_hops(samples, 48000), hop_peaks(samples, 48000)
    figures = psr_db(peaks, hops)
    assert figures.first_hops.tolist() == list(range(401))
    # definition (Shepherd et al. 2017): window k is hops k .. k+299
    loudness = short_term_lufs(hops)
    for k in (0, 100, 101, 250, 400):
        expected = 20.0 * math.log10(peaks[k : k + 300].max()) - loudness[k]
        assert figures.values_db[k] == pytest.approx(expected, abs=1e-12)
    assert figures.values_db[100] < figures.values_db[101] - 3.0  # hop 400 enters with window 101


def test_least_psr_marks_the_squashed_passage():
    samples = noise(13.0, 48000, level_dbfs=-25.0)
    samples[4 * 48000 : 9 * 48000] = sine(1000.0, 5.0, 48000, -12.0)
    figures = psr(samples)
    assert figures.min_db == pytest.approx(0.0, abs=0.2)
    assert 5.5 <= figures.min_at_s <= 7.5
    assert figures.median_db > figures.min_db


def test_quiet_windows_do_not_count():
    samples = tones([(6.0, -10.0), (6.0, -45.0), (4.0, -math.inf)], 48000)
    figures = psr(samples)
    # Tech 3342's gate: 20 LU under the integrated loudness. -45 is behind it; a window with a share p of the
    # loud tone is at -10 + 10 log10 p, so windows count up to p = 0.01: 3 hops of the loud tone left, hop 597
    assert figures.first_hops.max() == pytest.approx(597, abs=1)
    assert np.isfinite(figures.values_db).all()


def test_silence_and_short_mixes_have_no_psr():
    for samples in (np.zeros((48000 * 4, 2)), noise(2.0, 48000)):
        figures = psr(samples)
        assert figures.min_db is figures.median_db is figures.min_at_s is None


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("channels", [1, 2])
def test_psr_of_a_stream_is_that_of_the_whole(rate_hz, channels):
    samples = struck(noise(4.0, rate_hz, channels=channels), rate_hz).astype(np.float32)
    loudness, peaks = HopMeter(rate_hz, channels), HopPeakMeter(rate_hz, channels)
    for block in np.array_split(samples, 7):
        loudness.push(block)
        peaks.push(block)
    streamed, whole = psr_db(peaks.result(), loudness.result()), psr(samples, rate_hz)
    np.testing.assert_array_equal(streamed.values_db, whole.values_db)
    np.testing.assert_array_equal(streamed.first_hops, whole.first_hops)
    assert whole.values_db.size == 101


@settings(max_examples=10, derandomize=True, deadline=None)
@given(gain_db=st.floats(-25.0, 15.0), seed=st.integers(0, 99))
def test_gain_swap_and_polarity_leave_psr_alone(gain_db, seed):
    samples = struck(noise(4.0, 44100, seed=seed), 44100)
    expected = psr(samples, 44100).values_db
    # closed form: PSR is the difference of two levels that a gain moves alike; 1e-9 dB for rounding
    for changed in (samples * 10.0 ** (gain_db / 20.0), -samples, samples[:, ::-1]):
        np.testing.assert_allclose(psr(changed, 44100).values_db, expected, rtol=0, atol=1e-9)
