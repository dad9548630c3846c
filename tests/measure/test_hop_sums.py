"""Figures read from sums over hops: correlation, balance, offset, noise floor."""

import numpy as np
import pytest
from scipy import signal

from autochain.audio.signals import noise, pink_noise, sine, tones
from autochain.measure.hop_sums import HopSumMeter, dc_offsets_dbfs, measure_hop_sums
from autochain.measure.noise import noise_floor_dbfs
from autochain.measure.spectrum import measure_spectrum
from autochain.measure.stereo import channel_imbalance_db, correlation_of, correlation_under, side_to_mid_db

RATE_HZ = 44100


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("rate_hz", [44100, 47952])
def test_sums_are_those_of_numpy_whatever_the_blocks(channels: int, dtype: type, rate_hz: int) -> None:
    samples = (noise(0.5, rate_hz, channels=channels) + 0.1)[: 20 * 441 + 17].astype(dtype)
    found = measure_hop_sums(samples, rate_hz)
    hop = round(rate_hz / 100)
    assert (found.frames, found.hop, found.whole_hops) == (len(samples), hop, len(samples) // hop)
    for h, part in enumerate(np.split(samples.astype(float), range(hop, len(samples), hop))):
        assert found.total[h] == pytest.approx(part.sum(axis=0), rel=1e-12)
        assert found.square[h] == pytest.approx((part**2).sum(axis=0), rel=1e-12)
        assert found.product[h] == pytest.approx((part[:, 0] * part[:, -1]).sum(), rel=1e-12, abs=1e-12)
        assert found.highest[h].tolist() == part.max(axis=0).tolist()
        assert found.lowest[h].tolist() == part.min(axis=0).tolist()
    for size in (1, 100, 441, 1000):
        meter = HopSumMeter(rate_hz, channels)
        for start in range(0, len(samples), size):
            meter.push(samples[start : start + size])
            if start == 0:
                meter.result()  # looking on the way changes nothing
        for name in ("total", "square", "product", "highest", "lowest"):
            np.testing.assert_array_equal(getattr(meter.result(), name), getattr(found, name))


def test_blocks_may_be_used_again_by_the_caller() -> None:
    samples = noise(0.1, RATE_HZ)
    meter, block = HopSumMeter(RATE_HZ, 2), np.empty((100, 2))
    for start in range(0, 4400, 100):
        block[:] = samples[start : start + 100]
        meter.push(block)
    np.testing.assert_array_equal(meter.result().square, measure_hop_sums(samples[:4400], RATE_HZ).square)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shared", [-0.8, 0.0, 0.5, 3.0])
def test_low_correlation_is_that_of_filtered_channels(shared: float, dtype: type) -> None:
    samples = pink_noise(6.0, RATE_HZ)
    samples[:, 1] += shared * samples[:, 0]
    low = signal.sosfilt(signal.butter(4, 120.0, fs=RATE_HZ, output="sos"), samples, axis=0)
    # scipy's filter and numpy's coefficient; 0.001: the end of the filter's ringing is cut off there
    expected = np.corrcoef(low.T)[0, 1]
    assert correlation_under(measure_spectrum(samples.astype(dtype), RATE_HZ)) == pytest.approx(expected, abs=1e-3)


def test_an_offset_is_no_low_sound() -> None:
    samples = pink_noise(4.0, RATE_HZ)
    plain, moved = (correlation_under(measure_spectrum(x, RATE_HZ)) for x in (samples, samples + 0.1))
    assert moved == pytest.approx(plain, abs=1e-3)


@pytest.mark.parametrize(
    ("phase_deg", "expected_db"), [(90.0, 0.0), (60.0, -4.7712), (120.0, 4.7712), (10.0, -21.1610)]
)
def test_side_against_mid_of_a_phase_shift(phase_deg: float, expected_db: float) -> None:
    # closed form: tan^2 of half the phase difference, in dB
    samples = np.hstack([sine(100.0, 2.0, RATE_HZ, -3.0, p, channels=1) for p in (0.0, phase_deg)])
    assert side_to_mid_db(measure_hop_sums(samples, RATE_HZ)) == pytest.approx(expected_db, abs=1e-3)


def test_imbalance_is_the_level_difference() -> None:
    samples = sine(100.0, 2.0, RATE_HZ, -3.0) * [1.0, 10 ** (-1.5 / 20)]
    # closed form
    assert channel_imbalance_db(measure_hop_sums(samples, RATE_HZ)) == pytest.approx(1.5, abs=1e-9)


def test_the_same_in_both_channels_has_no_side() -> None:
    sums = measure_hop_sums(np.repeat(noise(2.0, RATE_HZ, channels=1), 2, axis=1).astype(np.float32), RATE_HZ)
    assert side_to_mid_db(sums) is None
    assert correlation_of(sums) == pytest.approx(1.0, abs=1e-12)
    assert channel_imbalance_db(sums) == 0.0


def test_mono_silence_and_a_silent_channel_have_no_image() -> None:
    stereo = noise(1.0, RATE_HZ)
    for samples in (stereo[:, :1], stereo * [0.0, 1.0], np.zeros((0, 2)), np.zeros((9000, 2))):
        sums = measure_hop_sums(samples, RATE_HZ)
        assert channel_imbalance_db(sums) is None
        assert correlation_of(sums) is None
        assert correlation_under(measure_spectrum(samples, RATE_HZ)) is None
        if samples.any() and samples.shape[1] == 2:
            # closed form: one channel alone is as much side as mid
            assert side_to_mid_db(sums) == pytest.approx(0.0, abs=1e-9)
        else:
            assert side_to_mid_db(sums) is None


def test_offsets_are_the_means() -> None:
    # whole periods, so that the tone has no mean
    sums = measure_hop_sums(sine(100.0, 2.0, RATE_HZ, -6.0) + np.array([0.01, -0.001]), RATE_HZ)
    # closed form
    assert dc_offsets_dbfs(sums) == pytest.approx((-40.0, -60.0), abs=1e-9)


def test_no_offset_is_no_level() -> None:
    for frames in (0, 5000):
        sums = measure_hop_sums(np.zeros((frames, 2)), RATE_HZ)
        assert dc_offsets_dbfs(sums) == (None, None)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("pause_s", [0.41, 1.0])
def test_noise_floor_is_the_level_in_the_longest_pause(pause_s: float, channels: int) -> None:
    parts = [(2.0, -6.0), (pause_s, -60.0), (0.3, -6.0), (0.39, -80.0), (2.0, -6.0)]
    samples = tones(parts, RATE_HZ, channels=channels)
    # closed form: rms of a sine of -60 dBFS peak; the quieter pause is shorter than 400 ms
    assert noise_floor_dbfs(measure_hop_sums(samples, RATE_HZ)) == pytest.approx(-63.01, abs=0.01)


def test_noise_floor_leaves_out_offset_and_digital_silence() -> None:
    quiet = tones([(1.0, -np.inf), (2.0, -6.0), (0.6, -70.0), (2.0, -6.0), (1.0, -np.inf)], RATE_HZ)
    sums = measure_hop_sums(quiet + np.array([0.01, -0.02]), RATE_HZ)
    # closed form: rms of a sine of -70 dBFS peak
    assert noise_floor_dbfs(sums) == pytest.approx(-73.01, abs=0.01)


def test_a_window_that_touches_digital_silence_is_no_noise_floor() -> None:
    parts = [(2.0, -6.0), (0.2, -90.0), (0.01, -np.inf), (0.39, -90.0), (2.0, -6.0), (0.5, -60.0), (2.0, -6.0)]
    # closed form: rms of a sine of -60 dBFS peak
    assert noise_floor_dbfs(measure_hop_sums(tones(parts, RATE_HZ), RATE_HZ)) == pytest.approx(-63.01, abs=0.01)


def test_dither_alone_is_a_noise_floor() -> None:
    generator = np.random.default_rng(5)
    dither = (generator.random((RATE_HZ, 2)) - generator.random((RATE_HZ, 2))) / 2**23
    samples = np.concatenate([sine(1000.0, 2.0, RATE_HZ), np.round(dither * 2**23) / 2**23])
    # Lipshitz, Wannamaker, Vanderkooy 1992: triangular dither and rounding, 1/4 LSB^2; LSB 2^-23
    expected = 20 * np.log10(0.5 / 2**23)
    # the quietest of 60 overlapping windows of 17640 frames: 0.1 dB of chance
    assert noise_floor_dbfs(measure_hop_sums(samples, RATE_HZ)) == pytest.approx(expected, abs=0.15)


def test_silence_and_a_snippet_have_no_noise_floor() -> None:
    for samples in (np.zeros((0, 2)), np.zeros((RATE_HZ, 2)), np.full((RATE_HZ, 1), 0.25), noise(0.39, RATE_HZ)):
        assert noise_floor_dbfs(measure_hop_sums(samples, RATE_HZ)) is None
