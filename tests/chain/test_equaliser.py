import numpy as np
import pytest
from scipy import signal

from autochain.chain._equaliser_kernels import two_biquads
from autochain.chain.equaliser import STAGE, equalise, high_pass_section, low_shelf_section
from autochain.resources import read_table

RATE_HZ = 44100
NOISE = 0.3 * np.random.default_rng(31).standard_normal((20000, 2)).astype(np.float32)
BOTH = {"highpass_hz": 30.0, "low_shelf_hz": 100.0, "low_shelf_db": 2.0}
FREQ_HZ = np.geomspace(5.0, 20000.0, 500)


def gain_db(section, freq_hz, rate_hz=RATE_HZ):
    response = signal.freqz(section[:3], np.r_[1.0, section[3:]], worN=freq_hz, fs=rate_hz)[1]
    return 20 * np.log10(np.abs(response))


# W3C Note "Audio EQ Cookbook" (2021), evaluated independently: shared/equaliser.toml
@pytest.mark.parametrize("row", read_table("equaliser.toml")["low_shelf"])
def test_low_shelf_equals_the_cookbook_check_values(row):
    found = low_shelf_section(row["freq_hz"], row["gain_db"], row["rate_hz"], row["q"])
    assert found == pytest.approx(row["section"], abs=5e-9)


@pytest.mark.parametrize("freq_hz", [10.0, 33.0, 120.0])
@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_high_pass_equals_scipys_butterworth(freq_hz, rate_hz):
    b, a = signal.butter(2, freq_hz, "high", fs=rate_hz)
    # 10 Hz at 192 kHz leaves nine good digits in scipy's polynomial form.
    assert high_pass_section(freq_hz, rate_hz) == pytest.approx(np.r_[b, a[1:]], abs=1e-9)


def test_high_pass_falls_12_db_per_octave():
    found = gain_db(high_pass_section(100.0, RATE_HZ), np.array([12.5, 25.0, 100.0]))
    # Closed form of the second-order Butterworth: -10 log10(1 + (fc/f)^4)
    assert found == pytest.approx([-10 * np.log10(1 + r**4) for r in (8.0, 4.0, 1.0)], abs=0.001)


@pytest.mark.parametrize("shelf_db", [-6.0, -0.5, 1.5, 6.0])
@pytest.mark.parametrize("shelf_hz", [40.0, 400.0])
def test_low_shelf_follows_the_analogue_curve(shelf_db, shelf_hz):
    # W3C Note "Audio EQ Cookbook" (2021), analogue prototype of lowShelf, Q = sqrt(1/2)
    A = 10 ** (shelf_db / 40)
    s = 1j * FREQ_HZ / shelf_hz
    root = np.sqrt(A) / np.sqrt(0.5)
    analogue = 20 * np.log10(np.abs(A * (s**2 + root * s + A) / (A * s**2 + root * s + 1)))
    found = gain_db(low_shelf_section(shelf_hz, shelf_db, RATE_HZ), FREQ_HZ)
    # what the bilinear transform leaves at 400 Hz and 44.1 kHz
    assert np.abs(found - analogue).max() < 0.002
    at = gain_db(low_shelf_section(shelf_hz, shelf_db, RATE_HZ), np.array([1e-3, shelf_hz]))
    assert at == pytest.approx([shelf_db, shelf_db / 2], abs=0.001)


def test_sound_goes_through_as_scipys_filter_would_pass_it():
    samples = NOISE.astype(np.float64)
    expected = samples
    for section in (high_pass_section(30.0, RATE_HZ), low_shelf_section(100.0, 2.0, RATE_HZ)):
        expected = signal.lfilter(section[:3], np.r_[1.0, section[3:]], expected, axis=0)
    assert np.abs(equalise(samples, RATE_HZ, BOTH) - expected).max() < 1e-12
    # one float32 rounding of a sample below 2
    assert np.abs(equalise(NOISE, RATE_HZ, BOTH) - expected).max() < 1.2e-7


def test_neutral_is_the_identity_bit_for_bit():
    settings = STAGE.checked(STAGE.neutral)
    assert np.array_equal(STAGE.process(NOISE, RATE_HZ, settings).samples, NOISE)
    assert STAGE.checked({}) == settings


def test_constant_offset_dies_in_the_high_pass():
    constant = np.full((5 * RATE_HZ, 1), 0.5)
    settings = {**BOTH, "low_shelf_db": 0.0}
    # Closed form: poles at 30 Hz decay by e^-133 a second
    assert abs(equalise(constant, RATE_HZ, settings)[-1, 0]) < 1e-9


def test_swapped_channels_give_swapped_output():
    swapped = equalise(np.ascontiguousarray(NOISE[:, ::-1]), RATE_HZ, BOTH)[:, ::-1]
    assert np.array_equal(swapped, equalise(NOISE, RATE_HZ, BOTH))


@pytest.mark.parametrize("highpass_hz", [0.0, 10.0, 120.0])
@pytest.mark.parametrize("shelf", [(40.0, -6.0), (40.0, 6.0), (400.0, -6.0), (400.0, 6.0)])
@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_range_ends_are_finite_repeatable_and_keep_the_input(highpass_hz, shelf, rate_hz):
    settings = STAGE.checked({"highpass_hz": highpass_hz, "low_shelf_hz": shelf[0], "low_shelf_db": shelf[1]})
    kept = NOISE.copy()
    first = STAGE.process(NOISE, rate_hz, settings).samples
    assert first.dtype == np.float32
    assert np.isfinite(first).all()
    assert np.abs(first).max() < 4.0
    assert first.tobytes() == STAGE.process(NOISE, rate_hz, settings).samples.tobytes()
    assert np.array_equal(NOISE, kept)


@pytest.mark.parametrize("channels", [1, 2])
def test_silence_stays_silence(channels):
    assert not equalise(np.zeros((1000, channels), dtype=np.float32), RATE_HZ, BOTH).any()


def test_compiled_loop_equals_python():
    samples = NOISE[:200]
    first, second = high_pass_section(30.0, RATE_HZ), low_shelf_section(100.0, 2.0, RATE_HZ)
    compiled, interpreted = np.empty_like(samples), np.empty_like(samples)
    two_biquads(samples, first, second, compiled)
    two_biquads.py_func(samples, first, second, interpreted)
    assert np.array_equal(compiled, interpreted)
