"""Loops of the equaliser."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def two_biquads(samples: Floats, first: Floats, second: Floats, output: Floats) -> None:
    """Fill `output` with `samples` through two second-order sections; state in float64.

    A section is (b0, b1, b2, a1, a2), transposed direct form II. Both run in one pass, so nothing is rounded
    between them.
    """
    b0, b1, b2, a1, a2 = first[0], first[1], first[2], first[3], first[4]
    d0, d1, d2, c1, c2 = second[0], second[1], second[2], second[3], second[4]
    for channel in range(samples.shape[1]):
        s1, s2, u1, u2 = 0.0, 0.0, 0.0, 0.0
        for i in range(samples.shape[0]):
            x = samples[i, channel]
            y = b0 * x + s1
            s1 = b1 * x - a1 * y + s2
            s2 = b2 * x - a2 * y
            z = d0 * y + u1
            u1 = d1 * y - c1 * z + u2
            u2 = d2 * y - c2 * z
            output[i, channel] = z
