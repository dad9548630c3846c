"""Bring a sound to a lower sample rate, so that two files of different rates can be laid upon each other."""

import math

import numpy as np
import scipy.signal

from autochain.audio.mix import Samples

_HALF_TAPS = 64  # at the lower rate
_BETA = 10.0  # Kaiser window, about 100 dB of stop-band (J. F. Kaiser, 1974)
_CORNER = 0.475  # of the lower rate: flat within 0.01 dB up to 0.45 of it, 100 dB down at half of it


def resampled(samples: Samples, from_hz: int, to_hz: int) -> Samples:
    """Change the rate by `scipy.signal.resample_poly` with a linear-phase filter of its own, without delay.

    Parameters
    ----------
    samples
        Shape (frames, channels).
    from_hz, to_hz
        Sample rates; `to_hz` is the lower one.
    """
    if from_hz == to_hz:
        return samples
    common = math.gcd(from_hz, to_hz)
    up, down = to_hz // common, from_hz // common
    half = _HALF_TAPS * down
    taps = scipy.signal.firwin(2 * half + 1, 2.0 * _CORNER / down, window=("kaiser", _BETA))
    window = taps.astype(samples.dtype)
    out = scipy.signal.resample_poly(samples, up, down, axis=0, window=window)  # type: ignore[call-overload]  # taps too
    return np.ascontiguousarray(out, dtype=samples.dtype)
