import numpy as np
import pytest
from scipy import signal

from autochain.audio.hilbert import hilbert_pair, hilbert_taps, transformer_half_length_samples


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000, 192000])
def test_magnitude_is_within_a_twentieth_db_from_25_hz_to_25_hz_under_nyquist(rate_hz):
    ends = np.linspace(25.0, 500.0, 2000)
    freq_hz = np.concatenate([ends, np.linspace(500.0, rate_hz / 2 - 500.0, 2000), rate_hz / 2 - ends])
    response = signal.freqz(hilbert_taps(rate_hz), worN=freq_hz, fs=rate_hz)[1]
    assert np.abs(20.0 * np.log10(np.abs(response))).max() <= 0.05


def test_phase_is_minus_90_degrees_once_the_delay_is_out():
    rate_hz = 44100
    freq_hz = np.geomspace(25.0, 22000.0, 200)
    response = signal.freqz(hilbert_taps(rate_hz), worN=freq_hz, fs=rate_hz)[1]
    aligned = response * np.exp(2j * np.pi * freq_hz / rate_hz * transformer_half_length_samples(rate_hz))
    # Closed form: the Hilbert transformer is -j at positive frequencies.
    assert np.abs(np.angle(aligned / -1j)).max() < 1e-9


@pytest.mark.parametrize("frames", [1, 500, 40000, 200001])
def test_equals_direct_convolution_at_any_length(frames):
    rate_hz = 44100
    samples = np.random.default_rng(3).standard_normal((frames, 2))
    plain, transformed = hilbert_pair(samples, rate_hz)
    half = transformer_half_length_samples(rate_hz)
    # scipy's direct time-domain filter, which shares no code with the transform
    padded = np.concatenate([samples, np.zeros((half, 2))])
    expected = signal.lfilter(hilbert_taps(rate_hz), [1.0], padded, axis=0)[half:]
    assert plain is samples
    assert np.abs(transformed - expected).max() < 1e-11


def test_cosine_becomes_sine():
    rate_hz = 48000
    t = np.arange(rate_hz) / rate_hz
    plain = np.cos(2 * np.pi * 440.0 * t)[:, None]
    transformed = hilbert_pair(plain, rate_hz)[1]
    inner = slice(4000, -4000)
    # Closed form; 0.05 dB of magnitude is 0.0058.
    assert np.abs(transformed[inner, 0] - np.sin(2 * np.pi * 440.0 * t)[inner]).max() < 0.0058


@pytest.mark.parametrize("channels", [1, 2])
def test_float32_stays_float32_and_agrees_with_float64(channels):
    samples = 0.5 * np.random.default_rng(4).standard_normal((50000, channels))
    single = hilbert_pair(samples.astype(np.float32), 44100)[1]
    double = hilbert_pair(samples.astype(np.float32).astype(np.float64), 44100)[1]
    assert single.dtype == np.float32
    assert single.shape == samples.shape
    # A float32 transform of this size keeps about 1e-6 of the signal's rms of 0.5.
    assert np.abs(single - double).max() < 5e-6


def test_channels_do_not_leak_into_each_other():
    samples = np.zeros((60000, 2), dtype=np.float32)
    samples[:, 0] = np.random.default_rng(5).standard_normal(60000)
    transformed = hilbert_pair(samples, 44100)[1]
    # -120 dB, the rounding of the float32 transform
    assert np.abs(transformed[:, 1]).max() < 1e-6 * np.abs(transformed[:, 0]).max()
