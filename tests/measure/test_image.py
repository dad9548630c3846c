import numpy as np
import pytest

from autochain.audio.signals import noise, pink_noise, sine
from autochain.measure import _image_kernels as kernels
from autochain.measure.hop_sums import measure_hop_sums
from autochain.measure.image import BalanceReference
from autochain.measure.spectrum import measure_spectrum
from autochain.measure.stereo import correlation_of, correlation_under

RATE_HZ = 44100


def shifts(before: np.ndarray, after: np.ndarray, rate_hz: int = RATE_HZ):
    return BalanceReference(before, rate_hz).compare(after)


def correlation(samples: np.ndarray) -> float | None:
    return correlation_of(measure_hop_sums(samples, RATE_HZ))


def correlation_below_120_hz(samples: np.ndarray) -> float | None:
    return correlation_under(measure_spectrum(samples, RATE_HZ), 120.0)


def with_side(samples: np.ndarray, gain_db: float) -> np.ndarray:
    mid, side = samples.mean(axis=1), 0.5 * (samples[:, 0] - samples[:, 1])
    side = side * 10 ** (gain_db / 20)
    return np.stack([mid + side, mid - side], axis=1)


def tilted(samples: np.ndarray, db_per_octave: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    frequency_hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    gain_db = db_per_octave * np.log2(np.maximum(frequency_hz, 20.0) / 1000.0)
    spectrum = np.fft.rfft(samples, axis=0) * 10 ** (gain_db / 20)[:, None]
    return np.fft.irfft(spectrum, len(samples), axis=0)


@pytest.mark.parametrize("gain_db", [3.0, -6.0])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_side_gain_is_the_image_shift(gain_db: float, dtype: type) -> None:
    samples = pink_noise(3.0, RATE_HZ)
    output = with_side(samples, gain_db)
    # closed form: every band's side/mid ratio moves by the gain
    assert shifts(samples.astype(dtype), output.astype(dtype)).image_shift_db == pytest.approx(
        abs(gain_db), abs=1e-3
    )


def test_image_shift_is_weighted_with_energy() -> None:
    tones = [sine(f, 3.0, RATE_HZ) * [1.0, 0.5] for f in (250.0, 2000.0)]
    shifted = tones[0] + with_side(tones[1], 4.0)
    # closed form: one of two equal tones moves by 4 dB; the raised side adds no weight, which is the mix's
    assert shifts(tones[0] + tones[1], shifted).image_shift_db == pytest.approx(2.0, abs=0.02)


def test_side_far_under_the_mid_counts_for_nothing() -> None:
    mono = np.repeat(noise(3.0, RATE_HZ, channels=1), 2, axis=1)
    assert shifts(mono, mono + noise(3.0, RATE_HZ, -60.0, seed=5)).image_shift_db == 0.0


def test_mono_has_no_image_shift() -> None:
    samples = noise(3.0, RATE_HZ, channels=1)
    assert shifts(samples, np.tanh(3 * samples)).image_shift_db == 0.0


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
@pytest.mark.parametrize("db_per_octave", [1.0, -0.5])
def test_slope_is_read_over_seven_octaves(rate_hz: int, db_per_octave: float) -> None:
    samples = pink_noise(3.0, rate_hz)
    shift_db = shifts(samples, tilted(samples, db_per_octave, rate_hz), rate_hz).tilt_shift_db
    # closed form: slope times the 7 octaves from 63 Hz to 8 kHz; 2 %: four FFT bins in the lowest octave
    assert shift_db == pytest.approx(7.0 * abs(db_per_octave), rel=0.02)


def test_tilt_of_both_channels_together_is_no_image_shift() -> None:
    samples = pink_noise(3.0, RATE_HZ)
    # 0.02 dB: the slope inside an octave meets slightly different spectra of mid and side
    assert shifts(samples, tilted(samples, 1.0)).image_shift_db < 0.02


@pytest.mark.parametrize("gain", [0.1, -4.0])
def test_gain_and_polarity_shift_nothing(gain: float) -> None:
    samples = pink_noise(3.0, RATE_HZ)
    assert BalanceReference(samples, RATE_HZ).compare(gain * samples) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_octave_without_music_does_not_tilt() -> None:
    # 8 kHz alone rises by 40 dB, from 80 dB under the tones
    tones = sum(sine(f, 3.0, RATE_HZ, -20.0) for f in (125.0, 250.0, 500.0, 1000.0))
    hiss = sine(8000.0, 3.0, RATE_HZ, -100.0)
    assert shifts(tones + hiss, tones + 100 * hiss).tilt_shift_db < 0.01


def test_channel_swap_changes_nothing() -> None:
    samples = pink_noise(3.0, RATE_HZ) * [1.0, 0.6]
    output = tilted(with_side(samples, 2.0), 0.3)
    straight = BalanceReference(samples, RATE_HZ).compare(output)
    swapped = BalanceReference(samples[:, ::-1], RATE_HZ).compare(output[:, ::-1])
    assert swapped == pytest.approx(straight, abs=1e-9)


@pytest.mark.parametrize("frames", [0, 100, 5000])
def test_silence_and_short_sound_give_no_nan(frames: int) -> None:
    silent = np.zeros((frames, 2))
    assert BalanceReference(silent, RATE_HZ).compare(silent) == (0.0, 0.0)
    short = noise(1.0, RATE_HZ)[:frames]
    assert np.isfinite(BalanceReference(short, RATE_HZ).compare(short)).all()
    assert BalanceReference(short, RATE_HZ).compare(np.zeros_like(short)) == (0.0, 0.0)


@pytest.mark.parametrize("channels", [1, 2])
def test_plain_python_and_compiled_loops_agree(channels: int) -> None:
    flat = noise(1.0, 40, channels=channels).reshape(-1)[: 20 * channels]
    window = np.hanning(8)
    compiled = kernels.windowed_pairs, kernels.add_pair_powers
    results = []
    for cut, add in (compiled, [kernel.py_func for kernel in compiled]):
        pairs, powers = np.empty((3, 16)), np.zeros((2, 5))
        cut(flat, channels, 4, window, pairs)
        add(np.fft.fft(pairs.view(np.complex128), axis=1), powers)
        results.append((pairs, powers))
    for one, other in zip(*results, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-12)
    # Frames 4 to 19 fill two windows, the third is silence; a single channel stands for both sides.
    pairs, powers = results[0]
    frames = flat.reshape(20, channels)[4:].reshape(2, 8, channels) * window[:, None]
    left, right = (np.fft.fft(frames[:, :, c], axis=1)[:, :5] for c in (0, -1))
    assert not pairs[2].any()
    np.testing.assert_allclose(powers[0], (np.abs(left) ** 2 + np.abs(right) ** 2).sum(axis=0), rtol=1e-12)
    np.testing.assert_allclose(powers[1], (left * right.conj()).real.sum(axis=0), rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize(("phase_deg", "expected"), [(0.0, 1.0), (60.0, 0.5), (90.0, 0.0), (180.0, -1.0)])
def test_correlation_of_a_phase_shift_is_its_cosine(phase_deg: float, expected: float) -> None:
    left, right = (sine(100.0, 2.0, RATE_HZ, phase_deg=p, channels=1) for p in (0.0, phase_deg))
    samples = np.hstack([left, 0.2 * right]).astype(np.float32)
    # closed form: cosine of the phase difference, whatever the levels
    assert correlation(samples) == pytest.approx(expected, abs=1e-6)


def test_correlation_below_looks_at_the_low_end_only() -> None:
    low, high = sine(50.0, 3.0, RATE_HZ), sine(1000.0, 3.0, RATE_HZ)
    samples = low * [1.0, -0.5] + 5.0 * high
    # closed form: -1 for opposite 50 Hz; 1 kHz is 74 dB down after four poles at 120 Hz
    assert correlation_below_120_hz(samples) == pytest.approx(-1.0, abs=1e-3)
    assert correlation(samples) > 0.9


def test_correlation_does_not_depend_on_the_block_it_falls_into() -> None:
    samples = pink_noise(13.0, RATE_HZ).astype(np.float32)
    samples[:, 1] += 0.5 * samples[:, 0]
    # numpy's own coefficient; the noise has no mean
    assert correlation(samples) == pytest.approx(np.corrcoef(samples.T.astype(float))[0, 1], abs=1e-6)


def test_mono_and_a_silent_channel_have_no_correlation() -> None:
    for samples in (noise(1.0, RATE_HZ, channels=1), noise(1.0, RATE_HZ) * [1.0, 0.0], np.zeros((0, 2))):
        assert correlation(samples) is None
        assert correlation_below_120_hz(samples) is None


@pytest.mark.parametrize("frames", [100, 5000, 200_001])
def test_an_output_in_blocks_gives_the_bits_of_a_whole_one(frames: int) -> None:
    before = noise(5.0, RATE_HZ)[:frames].astype(np.float32)
    after = with_side(before, 3.0).astype(np.float32)
    reference = BalanceReference(before, RATE_HZ)
    meter = reference.meter()
    for block in np.split(after, [1, 50, frames // 2 + 20]):
        meter.push(block)
    assert meter.result() == reference.compare(after)
