"""Loop of second-order sections; arrays and state come from the caller."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def biquad(x: Floats, section: Floats, state: Floats, y: Floats) -> None:
    """Fill `y` (may be `x`) with `x`, shape (frames, channels), after one section (b0, b1, b2, a1, a2).

    Transposed direct form II; what comes last in a frame is added last, which shortens the wait for the next.
    `state` holds two memories for each channel in float64. The offset of 1e-25 keeps them out of the slow
    subnormal numbers in silence, where the output is thus not 0 but under 1e-15 (-300 dB).
    """
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[3], section[4]
    last = x.shape[1] - 1  # a single channel is filtered twice, which costs nothing beside the latency
    s1, s2 = state[0, 0], state[0, 1]
    u1, u2 = state[last, 0], state[last, 1]
    for i in range(x.shape[0]):
        p = np.float64(x[i, 0])
        r = np.float64(x[i, last])
        q = b0 * p + s1
        s1 = (b1 * p + s2) - a1 * q
        s2 = (b2 * p + 1e-25) - a2 * q
        v = b0 * r + u1
        u1 = (b1 * r + u2) - a1 * v
        u2 = (b2 * r + 1e-25) - a2 * v
        y[i, 0] = q
        y[i, last] = v
    state[0, 0], state[0, 1] = s1, s2
    state[last, 0], state[last, 1] = u1, u2
