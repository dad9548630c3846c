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
    return np.repeat(wave[:, None], channels, axis=1)


def tones(
    segments: Iterable[tuple[float, float]], rate_hz: int, frequency_hz: float = 1000.0, channels: int = 2
) -> Signal:
    """One sine whose level changes: segments of (seconds, peak dBFS); -inf dBFS is silence."""
    gains = np.concatenate([np.full(round(s * rate_hz), 10.0 ** (level / 20.0)) for s, level in segments])
    return sine(frequency_hz, gains.size / rate_hz, rate_hz, channels=channels) * gains[:, None]


def noise(
    seconds: float, rate_hz: int, level_dbfs: float = -20.0, channels: int = 2, seed: int = 1
) -> Signal:
    """White Gaussian noise of an rms level, independent between channels."""
    generator = np.random.default_rng(seed)
    return 10.0 ** (level_dbfs / 20.0) * generator.standard_normal((round(seconds * rate_hz), channels))


def faded(samples: Signal, seconds: float, rate_hz: int) -> Signal:
    """Copy with a linear fade of that length at both ends."""
    ramp = np.linspace(0.0, 1.0, round(seconds * rate_hz))[:, None]
    out = samples.copy()
    out[: ramp.size] *= ramp
    out[-ramp.size :] *= ramp[::-1]
    return out
