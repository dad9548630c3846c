"""The loop that keeps every n-th frame of a low-passed sound; the caller allocates every array."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

_Floats = npt.NDArray[np.floating[Any]]
_Doubles = npt.NDArray[np.float64]


# fastmath: the sum of products in any order, so that several are taken at a time; nothing else is allowed.
@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def decimate(sound: _Floats, taps: _Doubles, step: int, out: _Doubles) -> None:
    """Fill out[i] with the sum over k of taps[k] sound[step i + k], one channel."""
    for i in range(out.size):
        part = sound[step * i : step * i + taps.size]
        s = 0.0
        for k in range(taps.size):
            s += taps[k] * part[k]
        out[i] = s
