"""Loops of the true-peak readings; the caller allocates every array.

All work is done on blocks of `BLOCK` frames. An interpolator is given as mirrored pairs: the phases f and 1-f
of an interval between two frames share their taps in reverse order, so with the sum s[k] and the difference
d[k] of the two frames k steps left and right of the interval the pair gives E + O and E - O, where
E = sum even[k] s[k] and O = sum odd[k] d[k], and the larger magnitude of the two is |E| + |O|.

Sums are kept in the samples' own type: nothing is fed back, a few products of float32 samples err by under
1e-4 dB, and twice as many fit into a vector register as in float64.
"""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

BLOCK = 64  # frames; at least twice the longest filter's half length: a block then needs one neighbour only
SCRATCH_BLOCKS = 3
# Covers the rounding of float32 sums, so that no block is left out by a hair.
_ROUNDING = 1.0 + 1e-5

_Floats = npt.NDArray[np.floating[Any]]
_Doubles = npt.NDArray[np.float64]


# Lets the compiler take the largest of eight lanes instead of one after the other; no sum is reordered. What it
# assumes: nothing is NaN, and zero has no sign.
_MAXIMA = {"nnan", "nsz"}


@njit(cache=True, nogil=True, fastmath=_MAXIMA)
def _largest(values: _Floats) -> Any:
    """Largest of non-negative values."""
    most = values[0]
    for i in range(values.size):
        most = values[i] if values[i] > most else most
    return most


@njit(cache=True, nogil=True, fastmath=_MAXIMA)
def block_bounds(flat: _Floats, channels: int, first: int, level: _Doubles, bend: _Doubles) -> None:
    """Largest magnitude and largest second difference of each block, channels together.

    Block b starts at frame first + b BLOCK; one more frame is needed on each side of all blocks.
    """
    width = BLOCK * channels
    for b in range(level.size):
        start = first * channels + b * width
        block = flat[start : start + width]
        left = flat[start - channels : start - channels + width]
        right = flat[start + channels : start + channels + width]
        most = abs(block[0])
        sharpest = most - most
        for i in range(width):
            x = block[i]
            a = abs(x)
            d = abs((left[i] - x) + (right[i] - x))
            most = a if a > most else most
            sharpest = d if d > sharpest else sharpest
        level[b] = most
        bend[b] = sharpest


@njit(cache=True, nogil=True, fastmath=_MAXIMA)
def _interval_peak(
    flat: _Floats, channels: int, first: int, count: int, even: _Floats, odd: _Floats, work: _Floats
) -> float:
    """Peak of frames first .. first+count-1 and of the interpolated interval right of each."""
    pairs, half = even.shape
    width = count * channels
    best = work[:width]
    e = work[width : 2 * width]
    o = work[2 * width : 3 * width]
    start = first * channels
    frames = flat[start : start + width]
    for i in range(width):
        best[i] = abs(frames[i])
    for p in range(pairs):
        e[:] = 0.0
        o[:] = 0.0
        for k in range(0, half, 2):  # two taps a turn: half the loads and stores of e and o
            left = start - k * channels
            right = start + (k + 1) * channels
            l0 = flat[left : left + width]
            r0 = flat[right : right + width]
            l1 = flat[left - channels : left - channels + width]
            r1 = flat[right + channels : right + channels + width]
            e0, e1 = even[p, k], even[p, k + 1]
            o0, o1 = odd[p, k], odd[p, k + 1]
            for i in range(width):
                e[i] += e0 * (l0[i] + r0[i]) + e1 * (l1[i] + r1[i])
                o[i] += o0 * (l0[i] - r0[i]) + o1 * (l1[i] - r1[i])
        for i in range(width):
            a = abs(e[i]) + abs(o[i])
            best[i] = a if a > best[i] else best[i]
    return float(_largest(best))


@njit(cache=True, nogil=True)
def highest_peak(
    flat: _Floats,
    channels: int,
    first: int,
    end: int,
    even: _Floats,
    odd: _Floats,
    sums: _Doubles,
    level: _Doubles,
    bend: _Doubles,
    peak: float,
    work: _Floats,
) -> float:
    """Peak of the intervals of all blocks but the first, at least `peak`; intervals from `end` on are left out.

    `first`, `level` and `bend` as in `block_bounds`. Block b covers the intervals from its own first frame
    minus half on, so that its frames lie in blocks b-1 and b. It is left out when it cannot hold more than
    the peak so far. `sums` is absolute, straight and curved sum of the interpolator: no point exceeds
    absolute * level, nor straight * level + curved * bend. The block with the highest bound comes first, which
    makes the comparison sharp from the start.
    """
    half = even.shape[1]
    promising = 1
    most = 0.0
    for b in range(1, level.size):
        high = max(level[b - 1], level[b])
        bound = min(sums[0] * high, sums[1] * high + sums[2] * max(bend[b - 1], bend[b])) * _ROUNDING
        if bound > most:
            most = bound
            promising = b
    for turn in range(level.size):
        b = promising if turn == 0 else turn
        high = max(level[b - 1], level[b])
        bound = min(sums[0] * high, sums[1] * high + sums[2] * max(bend[b - 1], bend[b])) * _ROUNDING
        start = first + b * BLOCK - half
        count = min(BLOCK, end - start)
        if bound > peak and count > 0:
            peak = max(peak, _interval_peak(flat, channels, start, count, even, odd, work))
    return peak


@njit(cache=True, nogil=True)
def peaks_per_hop(
    flat: _Floats,
    channels: int,
    first: int,
    early: int,
    hop: int,
    even: _Floats,
    odd: _Floats,
    work: _Floats,
    out: _Doubles,
) -> None:
    """Fill `out` (hops,) with the peak of each hop's frames and of the intervals right of them.

    Hops start at frame `first`; the first one owns `early` intervals before it as well.
    """
    start = first - early
    for h in range(out.size):
        end = first + (h + 1) * hop
        peak = 0.0
        while start < end:
            count = min(BLOCK, end - start)
            peak = max(peak, _interval_peak(flat, channels, start, count, even, odd, work))
            start += count
        out[h] = peak
