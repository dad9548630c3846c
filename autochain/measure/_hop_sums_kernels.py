"""Loops over 10 ms hops: sums, products and extremes; the caller allocates every array."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

# Independent running values, an even number so that a lane stays with one channel: a single running sum or
# maximum is a chain of waits that cannot be vectorised.
_LANES = 16

_Floats = npt.NDArray[np.floating[Any]]
_Doubles = npt.NDArray[np.float64]


@njit(cache=True, nogil=True)
def hop_extremes(flat: _Floats, channels: int, hop: int, highest: _Doubles, lowest: _Doubles) -> None:
    """Fill the largest and smallest sample, shape (hops, channels), of hops of interleaved frames."""
    width = hop * channels
    whole = width // _LANES * _LANES
    high = np.empty(_LANES, dtype=flat.dtype)
    low = np.empty(_LANES, dtype=flat.dtype)
    for h in range(highest.shape[0]):
        part = flat[h * width : (h + 1) * width]
        for j in range(_LANES):
            high[j] = part[j % channels]
            low[j] = part[j % channels]
        for i in range(0, whole, _LANES):
            for j in range(_LANES):
                x = part[i + j]
                high[j] = x if x > high[j] else high[j]
                low[j] = x if x < low[j] else low[j]
        for i in range(whole, width):
            j = i % channels
            high[j] = max(high[j], part[i])
            low[j] = min(low[j], part[i])
        for c in range(channels):
            top = high[c]
            bottom = low[c]
            for j in range(c, _LANES, channels):
                top = max(top, high[j])
                bottom = min(bottom, low[j])
            highest[h, c] = top
            lowest[h, c] = bottom


@njit(cache=True, nogil=True)
def hop_sums(
    flat: _Floats, channels: int, hop: int, total: _Doubles, square: _Doubles, product: _Doubles
) -> None:
    """Fill the sums of x and x^2, shape (hops, channels), and of left times right, shape (hops,).

    The product of one channel is its square.
    """
    width = hop * channels
    whole = width // _LANES * _LANES
    second = channels - 1
    sums = np.empty(_LANES)
    squares = np.empty(_LANES)
    products = np.empty(_LANES // 2)
    for h in range(total.shape[0]):
        part = flat[h * width : (h + 1) * width]
        sums[:] = 0.0
        squares[:] = 0.0
        products[:] = 0.0
        for i in range(0, whole, _LANES):
            for j in range(_LANES):
                x = np.float64(part[i + j])
                sums[j] += x
                squares[j] += x * x
        for i in range(whole, width):
            x = np.float64(part[i])
            sums[i % channels] += x
            squares[i % channels] += x * x
        if second:
            half = _LANES // 2
            for i in range(0, whole, _LANES):
                for j in range(half):
                    products[j] += np.float64(part[i + 2 * j]) * np.float64(part[i + 2 * j + 1])
            for i in range(whole, width, 2):
                products[0] += np.float64(part[i]) * np.float64(part[i + 1])
        for c in range(channels):
            s = 0.0
            q = 0.0
            for j in range(c, _LANES, channels):
                s += sums[j]
                q += squares[j]
            total[h, c] = s
            square[h, c] = q
        p = 0.0
        for j in range(_LANES // 2):
            p += products[j]
        product[h] = p if second else square[h, 0]
