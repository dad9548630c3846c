"""True peak against BS.1770-5 Annex 2, Tech 3341, libebur128 and FFT interpolation."""

import math

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as dsp

from autochain.audio.signals import faded, noise, pink_noise, sine, struck
from autochain.demo import make_demo
from autochain.measure import peak_search, true_peak
from autochain.measure.interpolators import TruePeakFilter, annex2, fine, sinc49
from autochain.resources import read_table

TABLES = read_table("true_peak.toml")
READ_DB = ("annex2_dbtp", "sinc49_dbtp", "x16_dbtp", "sample_peak_dbfs", "highest_dbtp")
examples = settings(max_examples=12, derandomize=True, deadline=None)
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


def x16_dbtp(samples: np.ndarray) -> float | None:
    meter = true_peak.TruePeakMeter(48000, samples.shape[1], ("x16",))
    meter.push(samples)
    return meter.result().x16_dbtp


def sinc49_dbtp(samples: np.ndarray, rate_hz: int) -> float | None:
    meter = true_peak.TruePeakMeter(rate_hz, samples.shape[1], ("sinc49",))
    meter.push(samples)
    return meter.result().sinc49_dbtp


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
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_tech3341_single_period_at_full_scale(offset, rate_hz):
    # Tech 3341 Table 1, cases 20-23: fs/6 at 0.5 holding one period of fs/4 at 1.0, made at 4 fs, low-passed,
    # every fourth sample kept; 0.0 dBTP, tolerance +0.2 / -0.4 dB
    outer = 0.5 * np.sin(2.0 * np.pi * np.arange(24 * 400) / 24)
    period = np.sin(2.0 * np.pi * np.arange(16) / 16)
    fine = faded(np.concatenate([outer, period, outer])[:, None], 0.002, 4 * rate_hz)
    low = dsp.firwin(513, 0.49 / 2.0, window=("kaiser", 9.0))
    samples = dsp.fftconvolve(fine, low[:, None])[offset::4]
    reading = true_peak.read_true_peak(samples, rate_hz)
    values = [reading.annex2_dbtp, reading.x16_dbtp, reading.highest_dbtp]
    if rate_hz < 96000:  # at 96 kHz libebur128 and so sinc49 interpolates x2 only and misses these peaks
        values.append(reading.sinc49_dbtp)
    for value in values:
        assert -0.4 <= value <= 0.2


@pytest.mark.parametrize("rate_hz", [44100, 48000, 88200, 96000, 176400, 192000])
@pytest.mark.parametrize("make", [drums, noise], ids=["drums", "noise"])
def test_sinc49_reads_what_libebur128_reads(rate_hz, make):
    samples = make(1.0, rate_hz)  # ends loud: libebur128 leaves its tail out, and so do we
    expected = libebur128_dbtp(samples, rate_hz)
    assert sinc49_dbtp(samples, rate_hz) == pytest.approx(expected, abs=1e-5)


def test_sinc49_leaves_out_the_same_last_intervals_as_libebur128():
    for frames in range(4, 80, 3):
        samples = noise(1.0, frames, channels=1, seed=frames)
        expected = libebur128_dbtp(samples, 44100)
        assert sinc49_dbtp(samples, 44100) == pytest.approx(expected, abs=1e-5)


# The two filters are not the same: libebur128's falls towards half the rate, Annex 2 ripples by 0.2 dB below
# 0.4 of it. Found (Annex 2 minus libebur128, dB): pink noise +0.02 (44.1 and 48 kHz) and +0.05 (96 kHz), sweeps
# +0.11 to +0.19, demo mixes -0.06 to +0.05, the same hard-clipped 12 dB deep -0.22 to +0.22. With the power of
# white noise near half the rate the 0.3 dB do not hold: +0.36, hard-clipped +0.56 at 44.1 and -0.67 at 96 kHz
# (libebur128 x2, Annex 2 x4).
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_annex2_reads_within_0_3_db_of_libebur128(rate_hz):
    pink = pink_noise(2.0, rate_hz)
    t = np.arange(2 * rate_hz)
    sweep = faded(0.5 * dsp.chirp(t, 20.0 / rate_hz, t.size, 0.499)[:, None], 0.01, rate_hz)
    for samples in (pink, struck(pink, rate_hz), sweep):
        # difference of two compliant meters, see above
        assert true_peak.annex2_dbtp(samples) == pytest.approx(libebur128_dbtp(samples, rate_hz), abs=0.3)


def test_annex2_reads_within_0_3_db_of_libebur128_on_a_mix_and_its_clipped_copy():
    mix = np.asarray(make_demo("dense_rock", 44100, 10.0), dtype=np.float32)
    for samples in (mix, np.clip(4.0 * mix, -0.9, 0.9)):
        # difference of two compliant meters, see above
        assert true_peak.annex2_dbtp(samples) == pytest.approx(libebur128_dbtp(samples, 44100), abs=0.3)


def between_silence(wave: np.ndarray) -> np.ndarray:
    """One channel with silence at both ends, so that an FFT may take it as periodic."""
    return np.concatenate([np.zeros(9000), wave, np.zeros(9000)])[:, None]


def white(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(15000)


def dark(seed: int) -> np.ndarray:
    """First-order low-pass at 0.05 of the rate, the upper 12 dB clipped at the base rate."""
    wave = dsp.lfilter(*dsp.butter(1, 0.1), white(seed))
    return np.clip(4.0 * wave / abs(wave).max(), -1.0, 1.0)


def clipped_tone(seed: int) -> np.ndarray:
    f = np.random.default_rng(seed).uniform(0.05, 0.4999)
    return np.clip(3.0 * np.sin(2.0 * np.pi * f * np.arange(15000) + seed), -1.0, 1.0)


def pair(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    wave = np.zeros(1000)
    wave[500] = 1.0
    wave[500 + rng.integers(1, 60)] = rng.choice([-1.0, 1.0])
    return wave


BRIGHT = {
    "white noise": white,
    "clipped noise": lambda seed: np.clip(white(seed), -0.5, 0.5),
    "signs of noise": lambda seed: np.sign(white(seed)),
    "clipped dark noise": dark,
    "clipped tone": clipped_tone,
    "tone at 0.499": lambda seed: np.sin(2.0 * np.pi * 0.499 * np.arange(15000) + seed),
    "sweep": lambda seed: dsp.chirp(np.arange(20000), 0.01, 20000, 0.5, phi=57.0 * seed),
    "impulse pair": pair,
}


@pytest.mark.parametrize("name", BRIGHT)
def test_x16_agrees_with_fft_interpolation_of_the_whole_signal_up_to_half_the_rate(name):
    for seed in range(5):
        samples = between_silence(BRIGHT[name](seed))
        # ideal interpolation by scipy's FFT resampling to the same grid; 0.05 dB is what the reading promises
        assert x16_dbtp(samples) == pytest.approx(fft_dbtp(samples, 16), abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_x16_agrees_with_finer_fft_interpolation_below_0_45_of_the_rate(seed):
    samples = band_limited(0.3, 44100, seed)
    # 0.01 against the same grid, 0.05 against x64: x16 itself under-reads by up to 0.034 dB (BS.1770-5 Annex 2)
    reading = x16_dbtp(samples)
    assert reading == pytest.approx(fft_dbtp(samples, 16), abs=0.01)
    assert reading == pytest.approx(fft_dbtp(samples, 64), abs=0.05)


def test_a_fractional_delay_leaves_x16_alone():
    samples = band_limited(0.2, 44100, 7)
    f = np.fft.rfftfreq(samples.shape[0])[:, None]
    for delay in (0.21, 0.37, 0.5):
        moved = np.fft.irfft(
            np.fft.rfft(samples, axis=0) * np.exp(-2j * np.pi * f * delay), samples.shape[0], axis=0
        )
        # an ideal meter would not move; a grid of x16 under-reads by up to 0.034 dB (BS.1770-5 Annex 2)
        assert x16_dbtp(moved) == pytest.approx(x16_dbtp(samples), abs=0.05)


@pytest.mark.parametrize("f", [0.05, 0.15, 0.25, 0.35, 0.45])
def test_x16_finds_the_amplitude_of_steady_tones(f):
    samples = faded(sine(f * 44100, 0.3, 44100, phase_deg=45.0, channels=1), 0.05, 44100)
    # BS.1770-5 Annex 2, Attachment 1: ideal x16 under-reads by at most 0.034 dB at 0.45 of the rate
    assert -0.045 <= x16_dbtp(samples) <= 0.01


@pytest.mark.parametrize("M", [1, 2, 3, 4, 6, 8, 16, 64])
def test_alternating_runs_read_the_ideal_midpoint_and_annex2_at_most_its_own_sum(M):
    samples = np.zeros((400, 1))
    signs = (-1.0) ** np.arange(M)
    samples[200 : 200 + M, 0] = signs
    samples[200 - M : 200, 0] = signs[::-1]
    # closed form: the sinc series midway gives (4/pi) sum 1/(2k+1), growing without bound
    ideal = 20.0 * math.log10(4.0 / math.pi * sum(1.0 / (2 * k + 1) for k in range(M)))
    assert x16_dbtp(samples) == pytest.approx(ideal, abs=0.01)
    # BS.1770-5 Annex 2: the absolute sum of phase 1 is 2.02282715, reached by 6 frames on each side
    most = 20.0 * math.log10(2.02282715)
    annex2 = true_peak.annex2_dbtp(samples)
    assert annex2 == pytest.approx(most, abs=1e-6) if M >= 6 else annex2 < most


@pytest.mark.parametrize("make", [drums, noise], ids=["drums", "noise"])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_leaving_blocks_out_changes_nothing(make, dtype, monkeypatch):
    samples = make(2.0, 44100).astype(dtype)
    pruned = true_peak.read_true_peak(samples, 44100)
    monkeypatch.setattr(TruePeakFilter, "sums", property(lambda _: np.full(3, 1e12)))
    monkeypatch.setattr(peak_search, "long_sums", lambda _: np.full(3, 1e12))
    assert true_peak.read_true_peak(samples, 44100) == pruned


def test_the_reading_does_not_depend_on_where_a_lone_click_lies():
    # The peak lies between the two frames; wherever the block borders fall, its block must be evaluated
    for at in range(60, 200):
        samples = np.zeros((300, 1))
        samples[at : at + 2] = 0.5
        for read in (true_peak.annex2_dbtp, x16_dbtp):
            assert read(samples) == pytest.approx(read(samples[at - 40 : at + 41]), abs=1e-12)
        # closed form: half the first pair of the sinc series midway is 2/pi; windowing keeps it within 0.1 dB
        assert x16_dbtp(samples) == pytest.approx(20.0 * math.log10(2.0 / math.pi), abs=0.1)


def test_blocks_are_left_out_at_all():
    levels = peak_search.BoundedBlocks(drums(4.0).reshape(-1), 2, 1, 2700)
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


@pytest.mark.parametrize("end", ["before", "after"])
def test_what_rings_outside_the_frames_counts(end):
    run = ((-1.0) ** np.arange(64))[:, None]
    samples = run if end == "before" else run[::-1]
    longer = np.concatenate([np.zeros((9000, 1)), samples, np.zeros((9000, 1))])
    # ideal interpolation by scipy's FFT resampling; half a frame outside the sinc series gives
    # (2/pi) sum 1/(2k+1), 5.8 dB for 64 samples
    assert fft_dbtp(longer, 16) > 5.5
    assert x16_dbtp(samples) == pytest.approx(fft_dbtp(longer, 16), abs=0.05)


@examples
@given(
    sizes=st.lists(st.integers(0, 60000), max_size=12),
    channels=st.integers(1, 2),
    single=st.booleans(),
    seed=st.integers(0, 9),
)
def test_block_size_changes_no_bit(sizes, channels, single, seed):
    samples = drums(2.2, 44100, seed)[:, :channels].astype(np.float32 if single else np.float64)
    meters = true_peak.TruePeakMeter(44100, channels), true_peak.HopPeakMeter(44100, channels)
    at = 0
    for size in sizes:
        for meter in meters:
            meter.push(samples[at : at + size])
        at += size
    for meter in meters:
        meter.result()  # looking in between changes nothing either
        meter.push(samples[at:])
    assert meters[0].result() == true_peak.read_true_peak(samples, 44100)
    np.testing.assert_array_equal(meters[1].result(), true_peak.hop_peaks(samples, 44100))


def test_pieces_join_without_gap():
    # three pieces; the loudest place, two frames with the peak between them, is moved across the first joint
    quiet = noise(4.0, 44100, level_dbfs=-60.0)
    body = peak_search.BODY_FRAMES
    expected = None
    for at in (*range(body - 8, body + 8), *range(body - peak_search.AROUND_FRAMES - 4, body, 997), 50):
        samples = quiet.copy()
        samples[at : at + 2] = 0.5
        samples[at - 20 : at] = samples[at + 2 : at + 22] = 0.0
        x16 = x16_dbtp(samples)
        expected = expected or x16
        assert x16 == pytest.approx(expected, abs=0.05)  # the quiet noise adds its share
        # closed form: midway between two equal frames a sinc gives 4/pi of them
        assert x16 == pytest.approx(20.0 * math.log10(2.0 / math.pi), abs=0.06)
        # the stream ends right after it: the same, wherever that lies in a piece
        assert x16_dbtp(samples[: at + 2]) == pytest.approx(expected, abs=0.05)


@examples
@given(gain_db=st.floats(-40.0, 20.0), seed=st.integers(0, 99), channels=st.integers(1, 2))
def test_any_gain_moves_every_reading_by_itself(gain_db, seed, channels):
    samples = drums(0.4, 44100, seed)[:, :channels]
    before = true_peak.read_true_peak(samples, 44100)
    after = true_peak.read_true_peak(samples * 10.0 ** (gain_db / 20.0), 44100)
    for name in READ_DB:
        # closed form: all filters are linear; 1e-9 dB for rounding
        assert getattr(after, name) - getattr(before, name) == pytest.approx(gain_db, abs=1e-9)


@examples
@given(seed=st.integers(0, 99), rate_hz=st.sampled_from([44100, 96000, 192000]), clip=st.floats(0.02, 1.0))
def test_swap_and_polarity_change_nothing_and_nothing_is_below_the_sample_peak(seed, rate_hz, clip):
    samples = np.clip(noise(0.3, rate_hz, seed=seed), -clip, clip)
    reading = true_peak.read_true_peak(samples, rate_hz)
    assert reading.sample_peak_dbfs == pytest.approx(20.0 * math.log10(abs(samples).max()), abs=1e-9)
    assert min(getattr(reading, name) for name in READ_DB) == reading.sample_peak_dbfs
    assert true_peak.read_true_peak(np.ascontiguousarray(samples[:, ::-1]), rate_hz) == reading
    assert true_peak.read_true_peak(-samples, rate_hz) == reading


def test_readings_not_asked_for_equal_the_sample_peak():
    meter = true_peak.TruePeakMeter(44100, 2, readings=("x16",))
    samples = drums(0.3)
    meter.push(samples)
    reading = meter.result()
    assert reading.annex2_dbtp == reading.sinc49_dbtp == reading.sample_peak_dbfs
    assert reading.highest_dbtp == reading.x16_dbtp == x16_dbtp(samples) > reading.sample_peak_dbfs


def test_input_is_left_alone():
    samples = drums(0.3).astype(np.float32)
    kept = samples.copy()
    true_peak.read_true_peak(samples, 44100)
    true_peak.hop_peaks(samples, 44100)
    np.testing.assert_array_equal(samples, kept)


@pytest.mark.parametrize("character", ["dense_rock", "vocal_with_piano"])
def test_short_filters_lie_about_half_a_db_around_the_long_one_on_clipped_mixes(character):
    # Not a standard: what the module says of the margin a limiter needs that trusts a short filter.
    mix = make_demo(character, 44100, 10.0)
    top = float(np.abs(mix).max())
    reading = true_peak.read_true_peak(np.clip(4.0 * mix, -top, top), 44100)
    assert -0.45 <= reading.annex2_dbtp - reading.x16_dbtp <= 0.1
    assert -0.45 <= reading.sinc49_dbtp - reading.x16_dbtp <= 0.1
