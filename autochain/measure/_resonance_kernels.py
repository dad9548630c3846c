"""The loop behind the resonance map; the caller allocates every array."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

_Floats = npt.NDArray[np.floating[Any]]
_Doubles = npt.NDArray[np.float64]
_Places = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def lower_quartiles(
    pair: _Floats, first: _Places, step: _Places, count: _Places, work: _Doubles, out: _Doubles
) -> None:
    """Fill out (lanes, bands) with the lower quartile of the power of a band's bins, for mid, side, left, right.

    `pair` has shape (1 or 2, 2 bins): real and imaginary parts in turn, of mid and side = (L +- R) / sqrt(2). Band b
    looks at `count[b]` bins from `first[b]` in steps of `step[b]`; `work` holds a quarter as many and one. With one row
    there is one lane.
    """
    for lane in range(out.shape[0]):
        for b in range(out.shape[1]):
            n = count[b]
            wanted = (n - 1) // 4
            kept = 0
            for i in range(n):
                k = 2 * (first[b] + i * step[b])
                if lane < 2:
                    re = np.float64(pair[lane, k])
                    im = np.float64(pair[lane, k + 1])
                else:
                    sign = 1.0 if lane == 2 else -1.0
                    re = 0.7071067811865476 * (pair[0, k] + sign * pair[1, k])
                    im = 0.7071067811865476 * (pair[0, k + 1] + sign * pair[1, k + 1])
                power = re * re + im * im
                # Of what has come so far the lowest, in order, as far as the quartile.
                if kept > wanted:
                    if power >= work[wanted]:
                        continue
                else:
                    kept += 1
                j = kept - 1
                while j > 0 and work[j - 1] > power:
                    work[j] = work[j - 1]
                    j -= 1
                work[j] = power
            out[lane, b] = work[wanted]
