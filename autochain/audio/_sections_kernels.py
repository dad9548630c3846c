"""Loops of second-order sections: two at a time on two lanes, and the sum and difference of the lanes."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def run_pair(lanes: Floats, sections: Floats, state: Floats) -> None:
    """Send lanes[frame, lane] through two sections each, in place.

    `sections[lane, k]` is (b0, b1, b2, a1, a2), `state[lane, k]` its two memories, both float64, in transposed
    direct form II. The four recursions do not wait for each other, so that they cost little more than one;
    and the two that follow each other in time are added last, which shortens the wait.
    """
    b0, b1, b2, a1, a2 = sections[0, 0]
    d0, d1, d2, c1, c2 = sections[0, 1]
    f0, f1, f2, e1, e2 = sections[1, 0]
    h0, h1, h2, g1, g2 = sections[1, 1]
    s1, s2 = state[0, 0]
    t1, t2 = state[0, 1]
    u1, u2 = state[1, 0]
    v1, v2 = state[1, 1]
    for i in range(lanes.shape[0]):
        x = lanes[i, 0]
        y = b0 * x + s1
        s1 = (b1 * x + s2) - a1 * y
        s2 = b2 * x - a2 * y
        z = d0 * y + t1
        t1 = (d1 * y + t2) - c1 * z
        t2 = d2 * y - c2 * z
        lanes[i, 0] = z
        x = lanes[i, 1]
        y = f0 * x + u1
        u1 = (f1 * x + u2) - e1 * y
        u2 = f2 * x - e2 * y
        z = h0 * y + v1
        v1 = (h1 * y + v2) - g1 * z
        v2 = h2 * y - g2 * z
        lanes[i, 1] = z
    state[0, 0, 0], state[0, 0, 1] = s1, s2
    state[0, 1, 0], state[0, 1, 1] = t1, t2
    state[1, 0, 0], state[1, 0, 1] = u1, u2
    state[1, 1, 0], state[1, 1, 1] = v1, v2


@njit(cache=True, nogil=True)
def sum_and_difference(lanes: Floats, scale: float) -> None:
    """Replace the two lanes by their sum and difference times `scale`, in place: 0.5 there, 1 back."""
    for i in range(lanes.shape[0]):
        a = lanes[i, 0]
        b = lanes[i, 1]
        lanes[i, 0] = scale * (a + b)
        lanes[i, 1] = scale * (a - b)
