"""To another sample rate, with soxr at its very highest quality: linear phase, aligned, no delay."""

import math
from collections.abc import Iterator

import numpy as np
import soxr

from autochain.audio.mix import Samples
from autochain.audio.room import gathered

_BLOCK_FRAMES = 1 << 16  # in blocks, so that a sound is held once at each rate; they change no bit


def resampled(samples: Samples, from_hz: int, to_hz: int) -> Samples:
    """Return the sound at another rate, shape (frames, channels), same type; the same array for the same rate.

    Peaks between samples move: a ceiling that held before need not hold after it.
    """
    if from_hz == to_hz:
        return samples
    frames, channels = samples.shape
    most = math.ceil(frames * to_hz / from_hz) + 1
    return gathered(_resampled(samples, from_hz, to_hz), (most, channels), samples.dtype)


def _resampled(samples: Samples, from_hz: int, to_hz: int) -> Iterator[Samples]:
    frames, channels = samples.shape
    stream = soxr.ResampleStream(from_hz, to_hz, channels, dtype=samples.dtype.name, quality="VHQ")
    for start in range(0, max(1, frames), _BLOCK_FRAMES):
        block = np.ascontiguousarray(samples[start : start + _BLOCK_FRAMES])
        yield stream.resample_chunk(block, last=start + _BLOCK_FRAMES >= frames)
