import numpy as np
import pytest

from autochain.audio.dither import lsb, quantise, tpdf


def error_power_lsb2(samples: np.ndarray, bits: int, seed: int | None) -> float:
    generator = None if seed is None else np.random.default_rng(seed)
    words = quantise(samples, bits, generator)
    return float(np.mean((words - samples.astype(np.float64) / lsb(bits)) ** 2))


def sine(frames: int) -> np.ndarray:
    phase = 2 * np.pi * 997.0 / 48000.0 * np.arange(frames)
    return 0.9 * np.stack([np.sin(phase), np.cos(phase)], axis=1)


@pytest.mark.parametrize("bits", [16, 24])
def test_total_error_of_dithered_rounding_is_a_quarter_lsb_squared(bits: int) -> None:
    power = error_power_lsb2(sine(500_000), bits, seed=1)
    # Lipshitz, Wannamaker, Vanderkooy 1992: dither LSB^2/6 plus rounding LSB^2/12
    theory = 1 / 6 + 1 / 12
    # 0.05 dB: the asked tolerance; 1e6 samples scatter by about 0.006 dB
    assert abs(10 * np.log10(power / theory)) < 0.05


def test_dither_alone_has_a_sixth_of_an_lsb_squared_and_stays_inside_one_lsb() -> None:
    noise = tpdf((500_000, 2), np.random.default_rng(2))
    # closed form: variance of the difference of two uniforms of width 1
    assert abs(10 * np.log10(np.mean(noise**2) * 6)) < 0.05
    assert np.abs(noise).max() <= 1.0


def test_dither_density_is_triangular() -> None:
    noise = tpdf((400_000, 1), np.random.default_rng(3))
    # closed form: P(|d| < 1/2) = 3/4 for a triangle over -1..1; 0.005 is seven standard deviations
    assert np.mean(np.abs(noise) < 0.5) == pytest.approx(0.75, abs=0.005)


def test_channels_are_dithered_independently() -> None:
    noise = tpdf((400_000, 2), np.random.default_rng(4))
    assert abs(np.corrcoef(noise.T)[0, 1]) < 0.01


def test_rounding_without_dither_makes_a_twelfth_of_an_lsb_squared() -> None:
    # closed form: a uniform error one LSB wide (Lipshitz, Wannamaker, Vanderkooy 1992)
    assert error_power_lsb2(sine(500_000), 16, seed=None) * 12 == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize("offset_lsb", [0.0, 0.25, 0.5])
def test_error_mean_and_power_do_not_depend_on_the_signal(offset_lsb: float) -> None:
    samples = np.full((400_000, 1), offset_lsb * lsb(16))
    words = quantise(samples, 16, np.random.default_rng(5))
    error = words - offset_lsb
    # Lipshitz, Wannamaker, Vanderkooy 1992: triangular dither fixes both moments, here 0 and 1/4 LSB^2
    assert np.mean(error) == pytest.approx(0.0, abs=0.004)
    assert np.mean(error**2) == pytest.approx(0.25, rel=0.01)


def test_error_never_exceeds_one_and_a_half_lsb() -> None:
    samples = sine(200_000)
    words = quantise(samples, 16, np.random.default_rng(6))
    # closed form: dither 1 LSB plus rounding 1/2 LSB; 1e-9 for the arithmetic
    assert np.abs(words - samples / lsb(16)).max() <= 1.5 + 1e-9


def test_rounding_is_mid_tread() -> None:
    steps = np.array([[-0.6], [-0.4], [0.0], [0.4], [0.6]]) * lsb(24)
    assert quantise(steps, 24)[:, 0].tolist() == [-1, 0, 0, 0, 1]


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_overs_are_clamped_and_never_wrap(dtype: type) -> None:
    samples = np.array([[1.0, -1.0], [1.5, -1.5], [1e30, -1e30]], dtype=dtype)
    words = quantise(samples, 24, np.random.default_rng(7))
    assert words[:, 0].tolist() == [2**23 - 1] * 3
    assert (words[1:, 1] == -(2**23)).all()
    assert -(2**23) <= words[0, 1] <= -(2**23) + 2


def test_blocks_get_the_same_dither_as_one_piece() -> None:
    samples = sine(1000)
    whole = quantise(samples, 24, np.random.default_rng(8))
    generator = np.random.default_rng(8)
    parts = [quantise(samples[a:b], 24, generator) for a, b in ((0, 301), (301, 1000))]
    assert np.array_equal(whole, np.concatenate(parts))


def test_input_is_left_untouched() -> None:
    samples = sine(100)
    before = samples.copy()
    quantise(samples, 16, np.random.default_rng(9))
    assert np.array_equal(samples, before)
