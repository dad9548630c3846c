"""Loops of the true-peak readings; the caller allocates every array.

All work is done on blocks of `BLOCK` frames. An interpolator is given as mirrored pairs: the phases f and 1-f
of an interval between two frames share their taps in reverse order, so with the sum s[k] and the difference
d[k] of the two frames k steps left and right of the interval the pair gives E + O and E - O, where
E = sum even[k] s[k] and O = sum odd[k] d[k], and the larger magnitude of the two is |E| + |O|.

Sums are kept in the samples' own type: nothing is fed back, at most 64 products of float32 samples err by
under 1e-4 dB, and twice as many fit into a vector register as in float64.
"""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

BLOCK = 64  # frames; at least twice the longest filter's half length: a block then needs one neighbour only
_LANES = 16  # independent maxima: one running maximum is a chain of waits that cannot be vectorised

_Floats = npt.NDArray[np.floating[Any]]
_Doubles = npt.NDArray[np.float64]


@njit(cache=True, nogil=True)
def block_maxima(flat: _Floats, channels: int, out: _Doubles) -> None:
    """Fill `out` (blocks,) with the largest magnitude of each block of frames, channels together."""
    width = BLOCK * channels
    lanes = np.empty(_LANES, dtype=flat.dtype)
    for b in range(out.size):
        block = flat[b * width : (b + 1) * width]
        lanes[:] = 0.0
        whole = block.size // _LANES * _LANES
        for i in range(0, whole, _LANES):
            for j in range(_LANES):
                a = abs(block[i + j])
                lanes[j] = a if a > lanes[j] else lanes[j]
        peak = 0.0
        for i in range(whole, block.size):
            peak = max(peak, float(abs(block[i])))
        for j in range(_LANES):
            peak = max(peak, float(lanes[j]))
        out[b] = peak


@njit(cache=True, nogil=True)
def _interval_peak(
    flat: _Floats, channels: int, first: int, count: int, even: _Floats, odd: _Floats, work: _Floats
) -> float:
    """Peak of frames first .. first+count-1 and of the interpolated interval right of each.

    Frames outside the signal are zero. `work` holds (4 BLOCK + 2 half) frames of scratch.
    """
    pairs, half = even.shape
    width = count * channels
    total = (count + 2 * half - 1) * channels
    window = work[:total]
    best = work[total : total + width]
    e = work[total + width : total + 2 * width]
    o = work[total + 2 * width : total + 3 * width]

    start = (first - half + 1) * channels
    lead = min(total, max(0, -start))
    stop = max(lead, min(total, flat.size - start))
    window[:lead] = 0.0
    window[stop:] = 0.0
    inside = window[lead:stop]
    source = flat[start + lead : start + stop]
    for i in range(inside.size):
        inside[i] = source[i]

    frames = window[(half - 1) * channels : (half - 1) * channels + width]
    for i in range(width):
        best[i] = abs(frames[i])
    for p in range(pairs):
        e[:] = 0.0
        o[:] = 0.0
        for k in range(0, half, 2):  # two taps a turn: half the loads and stores of e and o
            left = (half - 1 - k) * channels
            right = (half + k) * channels
            l0 = window[left : left + width]
            r0 = window[right : right + width]
            l1 = window[left - channels : left - channels + width]
            r1 = window[right + channels : right + channels + width]
            e0, e1 = even[p, k], even[p, k + 1]
            o0, o1 = odd[p, k], odd[p, k + 1]
            for i in range(width):
                e[i] += e0 * (l0[i] + r0[i]) + e1 * (l1[i] + r1[i])
                o[i] += o0 * (l0[i] - r0[i]) + o1 * (l1[i] - r1[i])
        for i in range(width):
            a = abs(e[i]) + abs(o[i])
            best[i] = a if a > best[i] else best[i]
    peak = 0.0
    for i in range(width):
        peak = max(peak, float(best[i]))
    return peak


@njit(cache=True, nogil=True)
def highest_peak(
    flat: _Floats,
    channels: int,
    end: int,
    even: _Floats,
    odd: _Floats,
    bounds: _Doubles,
    loudest: int,
    work: _Floats,
) -> float:
    """Peak of all intervals below `end`; a block is left out when its bound is not above the peak so far.

    Block b covers the intervals from b BLOCK - half on, so that its frames lie in blocks b-1 and b of
    `block_maxima`. Block `loudest` comes first, which makes the bounds tight from the start.
    """
    half = even.shape[1]
    peak = 0.0
    for turn in range(-1, bounds.size):
        b = loudest if turn < 0 else turn
        first = b * BLOCK - half
        count = min(BLOCK, end - first)
        if bounds[b] > peak and count > 0:
            peak = max(peak, _interval_peak(flat, channels, first, count, even, odd, work))
    return peak


@njit(cache=True, nogil=True)
def peaks_per_hop(
    flat: _Floats, channels: int, hop: int, even: _Floats, odd: _Floats, work: _Floats, out: _Doubles
) -> None:
    """Fill `out` (hops,) with the peak of each hop's frames and of the intervals right of them."""
    for h in range(out.size):
        first = h * hop if h > 0 else -even.shape[1]  # what rings before the first frame belongs to hop 0
        end = (h + 1) * hop
        peak = 0.0
        while first < end:
            count = min(BLOCK, end - first)
            peak = max(peak, _interval_peak(flat, channels, first, count, even, odd, work))
            first += count
        out[h] = peak
