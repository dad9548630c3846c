import numpy as np
import pytest

from autochain.measure.asymmetry import asymmetry_reduction_db, asymmetry_series, loud_windows

RATE_HZ = 48000
ALL_LOUD = np.ones(200, dtype=bool)


def two_harmonics(angle_deg: float, freq_hz: float = 100.0, seconds: float = 2.0) -> np.ndarray:
    """Return cos t + 0.5 cos 2t with both phases turned by the angle, shape (frames, 1)."""
    t = 2 * np.pi * freq_hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    turn = np.deg2rad(angle_deg)
    return (np.cos(t + turn) + 0.5 * np.cos(2 * t + turn))[:, None]


def asymmetry(samples: np.ndarray, loud: np.ndarray):
    windows = samples[: len(samples) // 2400 * 2400].reshape(-1, 2400, samples.shape[1])
    counted = loud_windows(loud, len(samples), RATE_HZ)
    return asymmetry_series(windows.max(axis=1), windows.min(axis=1), counted).mean


# Closed form: extremes over one period, evaluated at 200001 points.
@pytest.mark.parametrize(
    ("angle_deg", "highest", "lowest"),
    [(0, 1.5, -0.75), (30, 1.4772, -0.9642), (60, 1.4095, -1.1491), (90, 1.2990, -1.2990), (180, 0.75, -1.5)],
)
@pytest.mark.parametrize("threshold", [0.5, 1.0])
def test_two_harmonics_read_the_closed_form(angle_deg, highest, lowest, threshold):
    upper = max(0.0, 20 * np.log10(highest / threshold))
    lower = max(0.0, 20 * np.log10(-lowest / threshold))
    samples = two_harmonics(angle_deg)
    # 480 samples per period miss a peak by at most 0.0004 dB, the four digits of the table by 0.0006 dB.
    close = {"abs": 0.002}
    assert asymmetry_reduction_db(samples, RATE_HZ, threshold, ALL_LOUD) == pytest.approx(
        abs(upper - lower), **close
    )
    found = asymmetry(samples, ALL_LOUD)
    assert found.level_db == pytest.approx(abs(20 * np.log10(highest / -lowest)), **close)
    if angle_deg != 90:
        assert found.polarity == (1 if highest > -lowest else -1)


def test_sine_has_no_asymmetry():
    # A whole number of samples per half period: both peaks are sampled at the same places.
    sine = np.sin(2 * np.pi * 100.0 * np.arange(2 * RATE_HZ) / RATE_HZ)[:, None]
    assert asymmetry_reduction_db(sine, RATE_HZ, 0.5, ALL_LOUD) == pytest.approx(0.0, abs=1e-9)
    assert asymmetry(sine, ALL_LOUD).level_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("threshold", [0.2, 0.5, 0.9])
@pytest.mark.parametrize(
    "wave",
    [
        lambda phase: np.sin(phase) + 0.5 * np.sin(3 * phase) + 0.2 * np.cos(5 * phase),
        lambda phase: np.where(phase % (2 * np.pi) < np.pi, 1.0, -1.0),
        lambda phase: np.clip(2.0 * np.sin(phase), -0.8, 0.8),
    ],
    ids=["odd harmonics", "square", "clipped sine"],
)
def test_half_wave_symmetric_waves_cost_nothing(wave, threshold):
    # Closed form: x(t + T/2) = -x(t), so every positive peak has its negative; 240 samples per half period
    phase = 2 * np.pi * (np.arange(2 * RATE_HZ) + 0.5) / 480
    assert asymmetry_reduction_db(wave(phase)[:, None], RATE_HZ, threshold, ALL_LOUD) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("threshold", [0.2, 0.3, 0.35])
def test_gaussian_noise_reads_at_most_a_twentieth_db(threshold):
    noise = 0.1 * np.random.default_rng(7).standard_normal((120 * RATE_HZ, 1)).astype(np.float32)
    loud = np.ones(12000, dtype=bool)
    # Closed form: symmetric density, expectation 0; 2400 windows leave about 0.02 dB of chance.
    assert asymmetry_reduction_db(noise, RATE_HZ, threshold, loud) <= 0.05


@pytest.mark.parametrize("threshold", [0.2, 0.3, 0.35])
def test_20_s_of_gaussian_noise_read_a_twentieth_db_while_each_window_reads_far_more(threshold):
    readings, ratios = [], []
    for seed in range(8):
        noise = 0.1 * np.random.default_rng(seed).standard_normal((20 * RATE_HZ, 2)).astype(np.float32)
        readings.append(asymmetry_reduction_db(noise, RATE_HZ, threshold, np.ones(2000, dtype=bool)))
        peaks = noise.reshape(400, -1)
        ratios.append(np.mean(np.abs(20 * np.log10(peaks.max(axis=1) / -peaks.min(axis=1)))))
    # The unsigned difference of a single window's peaks, which the cost must not read: 0.5 to 0.9 dB.
    assert all(0.5 < ratio < 0.9 for ratio in ratios)
    # Closed form: symmetric density, expectation 0. The mean of 400 signed differences of that size scatters by
    # their standard deviation / 20, about 0.05 dB; so one seed may lie over it and their mean must not. The largest of
    # 24 draws of that spread lies near twice of it.
    assert np.mean(readings) <= 0.05
    assert max(readings) <= 0.1


def test_opposite_asymmetries_over_time_cancel_because_the_sign_is_kept():
    there, back = two_harmonics(0), two_harmonics(180)
    both = np.concatenate([there, back])
    loud = np.ones(400, dtype=bool)
    assert asymmetry_reduction_db(both, RATE_HZ, 0.5, loud) == pytest.approx(0.0, abs=0.01)


def test_louder_channel_decides_as_in_a_linked_limiter():
    loud_side, quiet_side = two_harmonics(0), 0.1 * two_harmonics(180)
    stereo = np.hstack([quiet_side, loud_side])
    alone = asymmetry_reduction_db(loud_side, RATE_HZ, 1.0, ALL_LOUD)
    assert asymmetry_reduction_db(stereo, RATE_HZ, 1.0, ALL_LOUD) == pytest.approx(alone, abs=1e-9)


def test_window_counts_when_most_of_its_hops_are_loud():
    loud = np.array([1, 1, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1], dtype=bool)
    frames = 4 * 2400 - 1  # the fourth window is not whole
    assert loud_windows(loud, frames, RATE_HZ).tolist() == [0, 2]


def test_quiet_parts_do_not_count():
    samples = np.concatenate([two_harmonics(0), 0.1 * two_harmonics(90)])
    loud = np.concatenate([ALL_LOUD, ~ALL_LOUD])
    assert asymmetry(samples, loud).level_db == pytest.approx(6.02, abs=0.01)


@pytest.mark.parametrize("frames", [0, 100, RATE_HZ])
def test_silence_has_no_asymmetry_and_needs_no_reduction(frames):
    silence = np.zeros((frames, 2), dtype=np.float32)
    assert asymmetry(silence, ALL_LOUD) is None
    assert asymmetry_reduction_db(silence, RATE_HZ, 0.5, ALL_LOUD) == 0.0


def test_float32_agrees_with_float64():
    samples = np.hstack([two_harmonics(20), two_harmonics(50)])
    single = asymmetry_reduction_db(samples.astype(np.float32), RATE_HZ, 1.0, ALL_LOUD)
    # float32 rounds a sample by 6e-8, 5e-7 dB
    assert single == pytest.approx(asymmetry_reduction_db(samples, RATE_HZ, 1.0, ALL_LOUD), abs=2e-6)
