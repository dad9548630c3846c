"""Loops around the transforms of the balance; the caller allocates every array."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

_Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def windowed_pairs(flat: _Floats, channels: int, first: int, window: _Floats, out: _Floats) -> None:
    """Windows side by side from frame `first` on into out (windows, 2 len(window)), as pairs left, right.

    `flat` holds interleaved samples, silence follows; the last channel stands for the right one.
    """
    size = window.size
    for w in range(out.shape[0]):
        row = out[w]
        start = (first + w * size) * channels
        count = max(0, min(size, (flat.size - start) // channels))
        if channels == 2:
            for i in range(count):
                row[2 * i] = window[i] * flat[start + 2 * i]
                row[2 * i + 1] = window[i] * flat[start + 2 * i + 1]
        else:
            for i in range(count):
                row[2 * i] = window[i] * flat[start + i]
                row[2 * i + 1] = row[2 * i]
        row[2 * count :] = 0.0


@njit(cache=True, nogil=True)
def add_pair_powers(spectra: npt.NDArray[np.complexfloating[Any]], powers: npt.NDArray[np.float64]) -> None:
    """Add |L|^2 + |R|^2 and Re(L conj R) of the lowest bins, summed over windows, to powers (2, bins).

    `spectra` (windows, size) are those of left + j right. With a = Z[k] and b = Z[-k] of such a spectrum
    L = (a + conj b) / 2 and R = (a - conj b) / 2j.
    """
    size = spectra.shape[1]
    for w in range(spectra.shape[0]):
        z = spectra[w]
        for k in range(powers.shape[1]):
            a = z[k]
            b = z[(size - k) % size]
            ar = np.float64(a.real)
            ai = np.float64(a.imag)
            br = np.float64(b.real)
            bi = np.float64(b.imag)
            powers[0, k] += 0.5 * ((ar * ar + ai * ai) + (br * br + bi * bi))
            powers[1, k] += 0.5 * (ar * bi + ai * br)
