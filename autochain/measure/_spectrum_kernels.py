"""Loops around the transforms of the long-term spectrum; the caller allocates every array."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

_Floats = npt.NDArray[np.floating[Any]]
_Doubles = npt.NDArray[np.float64]


@njit(cache=True, nogil=True)
def windowed_mid_side(before: _Floats, flat: _Floats, channels: int, window: _Floats, out: _Floats) -> None:
    """Fill out (rows, 2 hop) with windows that advance by a hop: (L + R) / sqrt(2), then (L - R) / sqrt(2).

    The frames are those of `before` (one hop), then those of `flat`, both interleaved; window j begins with
    hop j of them. One channel fills one row per window, two channels two.
    """
    hop = window.size // 2
    size = hop * channels
    for j in range(out.shape[0] // channels):
        for half in range(2):
            k = j + half
            part = before[:size] if k == 0 else flat[(k - 1) * size : k * size]
            weight = window[half * hop : half * hop + hop]
            if channels == 1:
                row = out[j, half * hop : half * hop + hop]
                for i in range(hop):
                    row[i] = weight[i] * part[i]
            else:
                mid = out[2 * j, half * hop : half * hop + hop]
                side = out[2 * j + 1, half * hop : half * hop + hop]
                for i in range(hop):
                    w = weight[i] * weight.dtype.type(math.sqrt(0.5))
                    left = part[2 * i]
                    right = part[2 * i + 1]
                    mid[i] = w * (left + right)
                    side[i] = w * (left - right)


@njit(cache=True, nogil=True)
def add_powers(spectra: _Floats, channels: int, powers: _Doubles) -> None:
    """Add |M|^2, |S|^2 and Re(M conj S) of every window to powers (3, bins); |M|^2 only for one channel.

    `spectra` has shape (rows, 2 bins): real and imaginary parts in turn, rows as in `windowed_mid_side`.
    """
    bins = powers.shape[1]
    for j in range(spectra.shape[0] // channels):
        m = spectra[j * channels]
        if channels == 1:
            for k in range(bins):
                mr = np.float64(m[2 * k])
                mi = np.float64(m[2 * k + 1])
                powers[0, k] += mr * mr + mi * mi
        else:
            s = spectra[2 * j + 1]
            for k in range(bins):
                mr = np.float64(m[2 * k])
                mi = np.float64(m[2 * k + 1])
                sr = np.float64(s[2 * k])
                si = np.float64(s[2 * k + 1])
                powers[0, k] += mr * mr + mi * mi
                powers[1, k] += sr * sr + si * si
                powers[2, k] += mr * sr + mi * si
