"""To another sample rate, with soxr at its very highest quality: linear phase, aligned, no delay."""

import numpy as np
import soxr

from autochain.audio.mix import Samples


def resampled(samples: Samples, from_hz: int, to_hz: int) -> Samples:
    """Return the sound at another rate, shape (frames, channels), same type; the same array for the same rate.

    Peaks between samples move: a ceiling that held before need not hold after it.
    """
    if from_hz == to_hz:
        return samples
    return np.ascontiguousarray(soxr.resample(samples, from_hz, to_hz, quality="VHQ"), dtype=samples.dtype)
