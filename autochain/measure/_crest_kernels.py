"""Loops of the crest measures; the caller allocates, state and sums are float64."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

# Keeps filter states out of the slow subnormal range during silence; -600 dBFS changes no reading.
_TINY = 1e-30


@njit(cache=True, nogil=True)
def window_levels(
    samples: npt.NDArray[np.floating[Any]],
    starts: npt.NDArray[np.int64],
    length: int,
    peak: npt.NDArray[np.float64],
    power: npt.NDArray[np.float64],
) -> None:
    """Fill peak and mean square, shape (windows, channels), of windows of `length` frames at `starts`."""
    for w in range(starts.size):
        for c in range(samples.shape[1]):
            top = 0.0
            total = 0.0
            for i in range(starts[w], starts[w] + length):
                x = np.float64(samples[i, c])
                total += x * x
                top = max(top, abs(x))
            peak[w, c] = top
            power[w, c] = total / length


@njit(cache=True, nogil=True)
def band_levels(
    samples: npt.NDArray[np.floating[Any]],
    length: int,
    crossovers: npt.NDArray[np.float64],
    state: npt.NDArray[np.float64],
    buffer: npt.NDArray[np.float64],
    peak: npt.NDArray[np.float64],
    power: npt.NDArray[np.float64],
) -> None:
    """Fill peak and mean square, shape (windows, bands), of the mid split at the crossovers, lowest first.

    A row of `crossovers` is (gain, a1, a2) of the Butterworth low-pass
    gain * (1 + 2/z + 1/z^2) / (1 + a1/z + a2/z^2), one of `state` four zeros; `buffer` has `length` frames.
    Low-pass twice is the low branch; the all-pass with the same poles minus the low branch is the high
    branch, which feeds the next crossover.
    """
    bands = crossovers.shape[0] + 1
    channels = samples.shape[1]
    for w in range(peak.shape[0]):
        start = w * length
        for i in range(length):
            x = 0.0
            for c in range(channels):
                x += np.float64(samples[start + i, c])
            buffer[i] = x / channels
        for k in range(bands - 1):
            gain, a1, a2 = crossovers[k, 0], crossovers[k, 1], crossovers[k, 2]
            u1, u2, v1, v2 = state[k, 0], state[k, 1], state[k, 2], state[k, 3]
            top = 0.0
            total = 0.0
            for i in range(length):
                u0 = (buffer[i] + _TINY - a2 * u2) - a1 * u1
                all_pass = (a2 * u0 + a1 * u1) + u2
                v0 = (gain * (u0 + 2.0 * u1 + u2) - a2 * v2) - a1 * v1
                low = gain * (v0 + 2.0 * v1 + v2)
                u2, u1, v2, v1 = u1, u0, v1, v0
                total += low * low
                top = max(top, abs(low))
                buffer[i] = all_pass - low
            state[k, 0], state[k, 1], state[k, 2], state[k, 3] = u1, u2, v1, v2
            peak[w, k] = top
            power[w, k] = total / length
        top = 0.0
        total = 0.0
        for i in range(length):
            x = buffer[i]
            total += x * x
            top = max(top, abs(x))
        peak[w, bands - 1] = top
        power[w, bands - 1] = total / length
