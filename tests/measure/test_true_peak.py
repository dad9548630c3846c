"""True peak against BS.1770-5 Annex 2, Tech 3341, libebur128 and FFT interpolation."""

import math

import numpy as np
import pyebur128
import pytest
from scipy import signal as dsp

from autochain.audio.signals import faded, noise, sine
from autochain.measure import peak_search, true_peak
from autochain.measure.interpolators import Interpolator, annex2, fine, sinc49
from autochain.resources import read_table

TABLES = read_table("true_peak.toml")
PHASES = np.array(TABLES["annex2"]["phases"])


def drums(seconds: float, rate_hz: int = 44100, seed: int = 3) -> np.ndarray:
    """Decaying noise bursts of uneven level over a soft bed: few blocks can hold the peak."""
    samples = noise(seconds, rate_hz, level_dbfs=-40.0, seed=seed)
    burst = noise(0.2, rate_hz, level_dbfs=-14.0, seed=seed + 1)
    burst *= np.exp(-np.arange(burst.shape[0]) / (0.03 * rate_hz))[:, None]
    levels = np.random.default_rng(seed).uniform(0.3, 1.0, 1000)
    for i, at in enumerate(range(0, samples.shape[0] - burst.shape[0], rate_hz // 4)):
        samples[at : at + burst.shape[0]] += levels[i] * burst
    return samples


def band_limited(seconds: float, rate_hz: int, seed: int) -> np.ndarray:
    """Noise up to 0.45 of the rate, silent at both ends so that an FFT may take it as periodic."""
    low = dsp.firwin(401, 0.44, fs=1.0, window=("kaiser", 9.0))
    return dsp.fftconvolve(noise(seconds, rate_hz, seed=seed), low[:, None])


def fft_dbtp(samples: np.ndarray, ratio: int) -> float:
    return float(20.0 * np.log10(abs(dsp.resample(samples, ratio * samples.shape[0])).max()))


def libebur128_dbtp(samples: np.ndarray, rate_hz: int) -> float:
    state = pyebur128.R128State(samples.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples).reshape(-1), samples.shape[0])
    return 20.0 * math.log10(max(pyebur128.get_true_peak(state, c) for c in range(samples.shape[1])))


# Lengths around the block of 64 frames, both ends loud
@pytest.mark.parametrize("frames", [1, 5, 6, 63, 64, 65, 127, 128, 129, 300, 5000])
@pytest.mark.parametrize("channels", [1, 2])
def test_annex2_is_the_full_convolution_with_the_published_table(frames, channels):
    samples = noise(1.0, frames, channels=channels, seed=frames)
    # BS.1770-5 Annex 2, all four phases over everything including both tails
    full = max(abs(np.convolve(samples[:, c], p)).max() for c in range(channels) for p in PHASES)
    expected = 20.0 * math.log10(max(full, abs(samples).max()))
    assert true_peak.annex2_dbtp(samples) == pytest.approx(expected, abs=1e-9)
    assert true_peak.annex2_dbtp(samples.astype(np.float32)) == pytest.approx(expected, abs=1e-4)


def test_worst_case_pattern_reads_6_12_db_over_the_sample_peak():
    pattern = np.sign(PHASES[1][::-1])[:, None]
    # BS.1770-5 Annex 2: the absolute sum of phase 1 is 2.02282715
    assert true_peak.annex2_dbtp(pattern) == pytest.approx(20.0 * math.log10(2.02282715), abs=1e-6)


@pytest.mark.parametrize("case", TABLES["tech3341"], ids=lambda case: f"case{case['case']}")
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_tech3341_true_peak_tones(case, rate_hz):
    level = 20.0 * math.log10(case["amplitude"])
    samples = faded(sine(rate_hz / case["divisor"], 0.5, rate_hz, level, case["phase_deg"]), 0.01, rate_hz)
    reading = true_peak.read_true_peak(samples, rate_hz)
    # Tech 3341 Table 1, cases 15-19, tolerance +0.2 / -0.4 dB
    for value in (reading.annex2_dbtp, reading.sinc49_dbtp, reading.x16_dbtp, reading.highest_dbtp):
        assert case["dbtp"] - 0.4 <= value <= case["dbtp"] + 0.2


@pytest.mark.parametrize("offset", range(4), ids=lambda k: f"case{20 + k}")
def test_tech3341_single_period_at_full_scale(offset):
    # Tech 3341 Table 1, cases 20-23: fs/6 at 0.5 holding one period of fs/4 at 1.0, made at 4 fs = 192 kHz,
    # low-passed, every fourth sample kept; 0.0 dBTP, tolerance +0.2 / -0.4 dB
    outer = 0.5 * np.sin(2.0 * np.pi * np.arange(24 * 400) / 24)
    period = np.sin(2.0 * np.pi * np.arange(16) / 16)
    fine = faded(np.concatenate([outer, period, outer])[:, None], 0.002, 192000)
    low = dsp.firwin(513, 0.49 / 2.0, window=("kaiser", 9.0))
    samples = dsp.fftconvolve(fine, low[:, None])[offset::4]
    reading = true_peak.read_true_peak(samples, 48000)
    for value in (reading.annex2_dbtp, reading.sinc49_dbtp, reading.x16_dbtp):
        assert -0.4 <= value <= 0.2


@pytest.mark.parametrize("rate_hz", [44100, 48000, 88200, 96000, 176400, 192000])
@pytest.mark.parametrize("make", [drums, noise], ids=["drums", "noise"])
def test_sinc49_reads_what_libebur128_reads(rate_hz, make):
    samples = make(1.0, rate_hz)  # ends loud: libebur128 leaves its tail out, and so do we
    expected = libebur128_dbtp(samples, rate_hz)
    assert true_peak.sinc49_dbtp(samples, rate_hz) == pytest.approx(expected, abs=1e-5)


def test_sinc49_leaves_out_the_same_last_intervals_as_libebur128():
    for frames in range(4, 80, 3):
        samples = noise(1.0, frames, channels=1, seed=frames)
        expected = libebur128_dbtp(samples, 44100)
        assert true_peak.sinc49_dbtp(samples, 44100) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_x16_agrees_with_fft_interpolation(seed):
    samples = band_limited(0.3, 44100, seed)
    # ideal interpolation by scipy's FFT resampling; 0.05 dB against the same grid, and 0.05 against x64
    reading = true_peak.x16_dbtp(samples)
    assert reading == pytest.approx(fft_dbtp(samples, 16), abs=0.01)
    assert reading == pytest.approx(fft_dbtp(samples, 64), abs=0.05)


@pytest.mark.parametrize("seed", range(6))
def test_x16_stays_near_fft_interpolation_on_clipped_signals_with_falling_treble(seed):
    # First-order low-pass at 2.2 kHz, the upper 12 dB clipped at the base rate. Clipping leaves content up to
    # half the rate, where 64 taps differ from an endless filter: 0.15 dB instead of 0.05
    dark = dsp.lfilter(*dsp.butter(1, 0.1), noise(0.5, 44100, seed=seed), axis=0)
    clipped = np.clip(4.0 * dark / abs(dark).max(), -1.0, 1.0)
    samples = np.concatenate([np.zeros((500, 2)), clipped, np.zeros((500, 2))])
    assert true_peak.x16_dbtp(samples) == pytest.approx(fft_dbtp(samples, 64), abs=0.15)


@pytest.mark.parametrize("f", [0.05, 0.15, 0.25, 0.35, 0.45])
def test_x16_finds_the_amplitude_of_steady_tones(f):
    samples = faded(sine(f * 44100, 0.3, 44100, phase_deg=45.0, channels=1), 0.05, 44100)
    # BS.1770-5 Annex 2, Attachment 1: ideal x16 under-reads by at most 0.034 dB at 0.45 of the rate
    assert -0.045 <= true_peak.x16_dbtp(samples) <= 0.01


def test_x16_on_alternating_runs_reads_the_ideal_midpoint():
    for M in (1, 2, 4):
        samples = np.zeros((400, 1))
        signs = (-1.0) ** np.arange(M)
        samples[200 : 200 + M, 0] = signs
        samples[200 - M : 200, 0] = signs[::-1]
        # closed form: the sinc series midway gives (4/pi) sum 1/(2k+1); content reaches half the rate, where
        # the window costs a little: 0.1 dB
        ideal = 20.0 * math.log10(4.0 / math.pi * sum(1.0 / (2 * k + 1) for k in range(M)))
        assert true_peak.x16_dbtp(samples) == pytest.approx(ideal, abs=0.1)


@pytest.mark.parametrize("make", [drums, noise], ids=["drums", "noise"])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_leaving_blocks_out_changes_nothing(make, dtype, monkeypatch):
    samples = make(2.0, 44100).astype(dtype)
    pruned = true_peak.read_true_peak(samples, 44100)
    monkeypatch.setattr(Interpolator, "sums", property(lambda _: np.full(3, 1e12)))
    monkeypatch.setattr(peak_search, "long_sums", lambda _: np.full(3, 1e12))
    assert true_peak.read_true_peak(samples, 44100) == pruned


def test_the_reading_does_not_depend_on_where_a_lone_click_lies():
    # The peak lies between the two frames; wherever the block borders fall, its block must be evaluated
    for at in range(60, 200):
        samples = np.zeros((300, 1))
        samples[at : at + 2] = 0.5
        for read in (true_peak.annex2_dbtp, true_peak.x16_dbtp):
            assert read(samples) == pytest.approx(read(samples[at - 40 : at + 41]), abs=1e-12)
        # closed form: half the first pair of the sinc series midway is 2/pi; windowing keeps it within 0.1 dB
        assert true_peak.x16_dbtp(samples) == pytest.approx(20.0 * math.log10(2.0 / math.pi), abs=0.1)


def test_blocks_are_left_out_at_all():
    levels = peak_search.Levels(drums(4.0).reshape(-1), 2, 1, 2700)
    # without this the speed is gone and nobody notices
    for sums in (annex2().sums, sinc49(4).sums, fine().sums):
        bound = np.minimum(sums[0] * levels.level, sums[1] * levels.level + sums[2] * levels.bend)
        assert np.mean(bound > levels.level.max()) < 0.2


def test_no_reading_is_below_the_sample_peak_and_the_highest_is_the_highest():
    # Annex 2 alone reads 0.2 dB under this sample peak (Tech 3341 case 15: its phases pass none unchanged)
    samples = faded(sine(12000.0, 0.2, 48000, -6.0), 0.01, 48000)
    reading = true_peak.read_true_peak(samples, 48000)
    every = (reading.annex2_dbtp, reading.sinc49_dbtp, reading.x16_dbtp, reading.sample_peak_dbfs)
    assert min(every) == reading.sample_peak_dbfs == pytest.approx(-6.0, abs=1e-6)
    assert reading.highest_dbtp == max(every)


def test_peak_of_the_louder_channel_counts_whichever_it_is():
    samples = drums(0.5)
    samples[:, 1] *= 0.5
    reading = true_peak.read_true_peak(samples, 44100)
    assert true_peak.read_true_peak(samples[:, ::-1], 44100) == reading
    assert true_peak.read_true_peak(samples[:, :1], 44100) == reading


def test_gain_moves_and_polarity_keeps_every_reading():
    samples = drums(0.5)
    before, after = (true_peak.read_true_peak(x, 44100) for x in (samples, -0.5 * samples))
    for name in ("annex2_dbtp", "sinc49_dbtp", "x16_dbtp", "sample_peak_dbfs", "highest_dbtp"):
        # closed form: 20 log10 0.5
        assert getattr(after, name) - getattr(before, name) == pytest.approx(20.0 * math.log10(0.5), abs=1e-9)


@pytest.mark.parametrize("frames", [0, 1, 1000])
def test_silence_has_no_peak(frames):
    silence = np.zeros((frames, 2), dtype=np.float32)
    reading = true_peak.read_true_peak(silence, 44100)
    assert reading == true_peak.TruePeakReading(
        annex2_dbtp=None, sinc49_dbtp=None, x16_dbtp=None, sample_peak_dbfs=None, highest_dbtp=None
    )
    assert not true_peak.hop_peaks(silence, 44100).any()


@pytest.mark.parametrize("channels", [1, 2])
def test_hop_peaks_are_the_annex2_peaks_of_their_intervals(channels):
    samples = noise(0.1, 44100, channels=channels)
    peaks = abs(samples).max(axis=1)
    for c in range(channels):
        for p in PHASES:
            # BS.1770-5 Annex 2; output n lies between frames n-6 and n-5
            peaks = np.maximum(peaks, abs(np.convolve(samples[:, c], p))[6 : 6 + peaks.size])
    expected = peaks.reshape(-1, 441).max(axis=1)
    hops = true_peak.hop_peaks(samples, 44100)
    np.testing.assert_allclose(hops[1:], expected[1:], rtol=1e-12)
    assert hops[0] >= expected[0]  # hop 0 also owns what rings before the first frame
    assert 20.0 * math.log10(hops.max()) <= true_peak.annex2_dbtp(samples) + 1e-12


def test_input_is_left_alone():
    samples = drums(0.3).astype(np.float32)
    kept = samples.copy()
    true_peak.read_true_peak(samples, 44100)
    true_peak.hop_peaks(samples, 44100)
    np.testing.assert_array_equal(samples, kept)
