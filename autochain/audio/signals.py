"""Deterministic test signals for tests, benchmarks and the demo; float64, shape (frames, channels)."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

Signal = npt.NDArray[np.float64]


def sine(
    frequency_hz: float,
    seconds: float,
    rate_hz: int,
    level_dbfs: float = 0.0,
    phase_deg: float = 0.0,
    channels: int = 2,
) -> Signal:
    """Sine of a peak level, the same in every channel."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    wave = 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * np.pi * frequency_hz * t + np.deg2rad(phase_deg))
    return np.asarray(np.repeat(wave[:, None], channels, axis=1))


def tones(
    segments: Iterable[tuple[float, float]], rate_hz: int, frequency_hz: float = 1000.0, channels: int = 2
) -> Signal:
    """One sine whose level changes: segments of (seconds, peak dBFS); -inf dBFS is silence."""
    gains = np.concatenate([np.full(round(s * rate_hz), 10.0 ** (level / 20.0)) for s, level in segments])
    return np.asarray(sine(frequency_hz, gains.size / rate_hz, rate_hz, channels=channels) * gains[:, None])


def noise(
    seconds: float, rate_hz: int, level_dbfs: float = -20.0, channels: int = 2, seed: int = 1
) -> Signal:
    """White Gaussian noise of an rms level, independent between channels."""
    white = np.random.default_rng(seed).standard_normal((round(seconds * rate_hz), channels))
    return np.asarray(10.0 ** (level_dbfs / 20.0) * white)


def faded(samples: Signal, seconds: float, rate_hz: int) -> Signal:
    """Copy with a linear fade of that length at both ends."""
    ramp = np.linspace(0.0, 1.0, round(seconds * rate_hz))[:, None]
    out = samples.copy()
    out[: ramp.size] *= ramp
    out[-ramp.size :] *= ramp[::-1]
    return out


def pink_noise(
    seconds: float, rate_hz: int, level_dbfs: float = -20.0, channels: int = 2, seed: int = 1
) -> Signal:
    """Noise of an rms level, power falling with 1/frequency from 25 Hz up, independent between channels."""
    white = noise(seconds, rate_hz, channels=channels, seed=seed)
    f = np.fft.rfftfreq(white.shape[0], 1.0 / rate_hz)
    shape = np.where(f > 25.0, 1.0 / np.sqrt(np.maximum(f, 25.0)), 0.0)
    pink = np.fft.irfft(np.fft.rfft(white, axis=0) * shape[:, None], white.shape[0], axis=0)
    return np.asarray(pink * (10.0 ** (level_dbfs / 20.0) / np.sqrt(np.mean(pink**2))))


def struck(samples: Signal, rate_hz: int, every_s: float = 0.5, decay_s: float = 0.08) -> Signal:
    """Shape a steady sound like struck notes: full level every `every_s`, then falling towards a quarter."""
    t = np.arange(samples.shape[0]) / rate_hz
    return np.asarray(samples * (0.25 + 0.75 * np.exp(-(t % every_s) / decay_s))[:, None])
