"""The loops behind the resonance map; the caller allocates every array."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

_Floats = npt.NDArray[np.floating[Any]]
_Places = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def _powers(spectra: _Floats, k: int, out: _Floats) -> None:
    """Fill out with the powers of all windows at a bin, lane after lane: mid, side, left, right, or the only one."""
    windows = spectra.shape[0]
    for w in range(windows):
        a, b = spectra[w, 0, 2 * k], spectra[w, 0, 2 * k + 1]
        out[w] = a * a + b * b
        if out.size > windows:
            c, d = spectra[w, 1, 2 * k], spectra[w, 1, 2 * k + 1]
            out[windows + w] = c * c + d * d
            out[2 * windows + w] = ((a + c) * (a + c) + (b + d) * (b + d)) / 2
            out[3 * windows + w] = ((a - c) * (a - c) + (b - d) * (b - d)) / 2


@njit(cache=True, nogil=True)
def _sink(kept: _Floats, sinking: _Floats) -> None:
    """Keep the lower of each two and let the higher sink on: no branch, so that it is done for many at a time."""
    for r in range(kept.size):
        a, b = kept[r], sinking[r]
        kept[r] = a if a < b else b
        sinking[r] = b if a < b else a


@njit(cache=True, nogil=True)
def lower_quartiles(
    spectra: _Floats, first: _Places, step: _Places, count: _Places, kept: _Floats, power: _Floats, out: _Floats
) -> None:
    """Fill out (bands, lanes x windows) with the lower quartile of the power of a band's bins.

    `spectra` has shape (windows, 1 or 2, 2 bins): real and imaginary parts in turn, of mid and side = (L +- R) /
    sqrt(2), for four lanes, or of one channel, for one. Band b looks at `count[b]` bins from `first[b]` in steps of
    `step[b]`. Scratch: `power` as long as a row of `out`; `kept` with such rows, a quarter as many as bins, and one.
    """
    for b in range(first.size):
        wanted = (count[b] - 1) // 4
        # Of what has come so far the lowest, in order, as far as the quartile.
        kept[: wanted + 1] = np.inf
        for i in range(count[b]):
            _powers(spectra, first[b] + i * step[b], power)
            for j in range(wanted + 1):
                _sink(kept[j], power)
        for r in range(power.size):  # numba takes two seconds to compile an array that is put into another
            out[b, r] = kept[wanted, r]
