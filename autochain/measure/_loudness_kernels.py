"""Loops of the loudness measure; the caller allocates the output."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

# Far under anything audible, far above the denormal range: a filter state this small is set to zero at the
# end of a hop, because denormal arithmetic in a long digital silence costs some hundred cycles per operation.
_QUIET = 1e-60


@njit(cache=True, nogil=True)
def k_weighted_hops(
    flat: npt.NDArray[np.floating[Any]],
    channels: int,
    shelf: npt.NDArray[np.float64],
    high_pass: npt.NDArray[np.float64],
    hop: int,
    out: npt.NDArray[np.float64],
) -> None:
    """Fill `out` (hops,) with the K-weighted mean square summed over channels.

    `flat` holds interleaved frames, 1 or 2 channels; `shelf` is b0, b1, b2, a1, a2 and `high_pass` is a1, a2
    (its numerator is 1, -2, 1). Both filters in transposed direct form II: the recursion waits for one
    product and two sums only, and two independent channels fill that wait. One channel runs through both
    lanes, the second with weight 0.
    """
    b0, b1, b2, a1, a2 = shelf[0], shelf[1], shelf[2], shelf[3], shelf[4]
    c1, c2 = high_pass[0], high_pass[1]
    second = channels - 1
    weight = float(second)
    ls1 = ls2 = lh1 = lh2 = rs1 = rs2 = rh1 = rh2 = 0.0
    position = 0
    for h in range(out.size):
        left_sum = 0.0
        right_sum = 0.0
        for _ in range(hop):
            x = float(flat[position])
            y = float(flat[position + second])
            position += channels
            u = b0 * x + ls1
            v = b0 * y + rs1
            ls1 = (b1 * x + ls2) - a1 * u
            rs1 = (b1 * y + rs2) - a1 * v
            ls2 = b2 * x - a2 * u
            rs2 = b2 * y - a2 * v
            p = u + lh1
            q = v + rh1
            lh1 = (lh2 - 2.0 * u) - c1 * p
            rh1 = (rh2 - 2.0 * v) - c1 * q
            lh2 = u - c2 * p
            rh2 = v - c2 * q
            left_sum += p * p
            right_sum += q * q
        out[h] = (left_sum + weight * right_sum) / hop
        if abs(lh1) + abs(lh2) + abs(ls1) + abs(ls2) < _QUIET:
            ls1 = ls2 = lh1 = lh2 = 0.0
        if abs(rh1) + abs(rh2) + abs(rs1) + abs(rs2) < _QUIET:
            rs1 = rs2 = rh1 = rh2 = 0.0
