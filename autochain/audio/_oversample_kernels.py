"""Loops of oversampling; every array is allocated by the caller.

`interpolate` is compiled into kernels of other modules. Numba's on-disk cache looks only at the file of
the calling kernel: after a change here, touch those files (grep for the name).
"""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]
Integers = npt.NDArray[np.integer[Any]]

# Runs no further apart are one: what a run costs beyond its frames is worth about as many frames.
GAP_BLOCKS = 2


@njit(cache=True, nogil=True, inline="always")
def block_levels(
    x: Floats,
    bits: Integers,
    bend: Floats,
    bend_bits: Integers,
    mask: "np.integer[Any]",
    channels: int,
    block: int,
    level_bits: Integers,
    curve_bits: Integers,
) -> None:
    """Fill, per block of frames, the largest |x| and the largest |second difference|, as float bit patterns.

    `bits` is an integer view of the flat array `x`, `bend_bits` one of `bend`, scratch of whole blocks. Without the
    sign bit, floats order like integers, and an integer maximum vectorises where a float one, which must mind NaN, does
    not. The first and the last frame of x have no second difference.
    """
    span = block * channels
    at_once = bend.size // span
    for first in range(0, level_bits.size, at_once):
        count = min(at_once, level_bits.size - first)
        start, stop = first * span, (first + count) * span
        bend[:] = 0.0
        low, high = max(start, channels), min(stop, x.size - channels)
        before, here, after = x[low - channels : high - channels], x[low:high], x[low + channels : high + channels]
        middle = bend[low - start : high - start]
        for k in range(here.size):
            middle[k] = before[k] - here[k] - here[k] + after[k]
        for j in range(count):
            values = bits[start + j * span : start + (j + 1) * span]
            bends = bend_bits[j * span : (j + 1) * span]
            level = mask & 0
            curve = mask & 0
            for i in range(values.size):
                level = max(level, values[i] & mask)
                curve = max(curve, bends[i] & mask)
            level_bits[first + j] = level
            curve_bits[first + j] = curve


@njit(cache=True, nogil=True, inline="always")
def find_runs(
    level: Floats,
    curve: Floats,
    first: int,
    last: int,
    radius: int,
    absolute_sum: float,
    curvature_sum: float,
    limit: float,
    block: int,
    starts: Integers,
    stops: Integers,
    hides_over: int,
    absolute_top: float,
    straight_top: float,
    curvature_top: float,
    over: float,
    keep: float,
    lasting: Floats,
) -> int:
    """Fill the first and past-the-end frames of runs of blocks, first .. last, whose bound exceeds `limit`.

    Returns their number. `radius` blocks before the first and after the last block are looked at. Where `hides_over` is
    not 0, a block is left out that has a sample over it on both sides, no more than so many blocks from each other:
    `absolute_top`, `straight_top` and `curvature_top` bound what it can come to. Where `keep` is not 0, a block
    is left out that needs no more than what an earlier sample over `over` has left of its reduction, the share `keep`
    of it a block; lasting[0] is what is left before the first block, and becomes what is left before the last.
    """
    count = 0
    open_since = -1
    last_above = 0
    left_over = lasting[0]
    for j in range(first, last):
        if j == last - 1:
            lasting[0] = left_over
        highest = level[j]
        bend = curve[j]
        # It lies up to a block and a half behind; what is below a millionth may have come to nothing.
        rest = left_over * keep - 1e-6
        if level[j] > over:
            left_over = max(left_over, 1.0 - over / level[j])
        left_over *= keep
        for i in range(j - radius, j + radius + 1):
            highest = max(highest, level[i])
            bend = max(bend, curve[i])
        near = max(level[j], level[j + 1])
        if min(highest * absolute_sum, near + bend * curvature_sum) > limit:
            top = min(highest * absolute_top, near * straight_top + bend * curvature_top)
            if keep > 0.0 and top * (1.0 - rest) <= over:
                continue
            if hides_over > 0:
                left = 1
                while left < hides_over and j - left >= 0 and level[j - left] < top:
                    left += 1
                right = 1
                most = min(hides_over - left, level.size - 1 - j)
                while right <= most and level[j + right] < top:
                    right += 1
                if left < hides_over and j - left >= 0 and right <= most:
                    continue
            if open_since >= 0 and j - last_above > GAP_BLOCKS + 1:
                starts[count] = open_since * block
                stops[count] = (last_above + 1) * block
                count += 1
                open_since = -1
            if open_since < 0:
                open_since = j
            last_above = j
    if open_since >= 0:
        starts[count] = open_since * block
        stops[count] = (last_above + 1) * block
        count += 1
    return count


@njit(cache=True, nogil=True)
def watch(
    x: Floats, bits: Integers, channels: int, first: int, last: int, limit: float, bounds: tuple[Any, ...]
) -> int:
    """Fill the starts and stops in `bounds` with the runs of a window that may exceed `limit`; returns their number.

    `bits` is an integer view of the interleaved `x`; frames first .. last are looked at. `bounds` are made by
    `oversample.Watch`: bounds of the filter, and scratch with its integer views.
    """
    block, radius, absolute_sum, curvature_sum, hides_over, absolute_top, straight_top, curvature_top = bounds[:8]
    over, keep, lasting = bounds[8:11]
    mask, bend, bend_bits, level, level_bits, curve, curve_bits, starts, stops = bounds[11:]
    block_levels(x, bits, bend, bend_bits, mask, channels, block, level_bits, curve_bits)
    return find_runs(
        level, curve, first // block, last // block, radius, absolute_sum, curvature_sum, limit, block, starts, stops,
        hides_over, absolute_top, straight_top, curvature_top, over, keep, lasting,
    )  # fmt: skip


@njit(cache=True, nogil=True, fastmath={"contract"})
def interpolate(flat: Floats, channels: int, first: int, count: int, taps: Floats, up: Floats) -> None:
    """Fill `up[:, : count * channels]` with frames first .. first + count - 1 and the points between each and the next.

    `flat` holds interleaved samples, T - 1 frames before and T after these among them; so are the rows of `up`.
    `taps` are the mirrored ones of an `Interpolator`.
    """
    rows, half = taps.shape
    width = count * channels
    start = first * channels
    here = flat[start : start + width]
    for i in range(width):  # one array assigned to another would bring two seconds of compiling
        up[0, i] = here[i]
    # Taps outside, outputs inside: neighbouring outputs are independent sums, so this vectorises with the
    # order of every sum fixed. Slices spare the loop its check for negative indices, which would stop that.
    # Four taps a turn; the point midway shares its sums of two frames with the first pair.
    middle = up[(rows + 1) // 2, :width]
    m = rows - 1
    for pair in range(rows // 2):
        e, o = 2 * pair, 2 * pair + 1
        even = up[1 + pair, :width]
        odd = up[rows - pair, :width]
        even[:] = 0.0
        odd[:] = 0.0
        if pair == 0:
            middle[:] = 0.0
        for k in range(0, half, 4):
            left = start - k * channels
            right = start + (k + 1) * channels
            l0, r0 = flat[left : left + width], flat[right : right + width]
            left, right = left - channels, right + channels
            l1, r1 = flat[left : left + width], flat[right : right + width]
            left, right = left - channels, right + channels
            l2, r2 = flat[left : left + width], flat[right : right + width]
            left, right = left - channels, right + channels
            l3, r3 = flat[left : left + width], flat[right : right + width]
            e0, e1, e2, e3 = taps[e, k], taps[e, k + 1], taps[e, k + 2], taps[e, k + 3]
            o0, o1, o2, o3 = taps[o, k], taps[o, k + 1], taps[o, k + 2], taps[o, k + 3]
            # All is read before anything is written, which spares reading it again.
            if pair > 0:
                for i in range(width):
                    a, b = even[i], odd[i]
                    a += e0 * (l0[i] + r0[i]) + e1 * (l1[i] + r1[i]) + e2 * (l2[i] + r2[i]) + e3 * (l3[i] + r3[i])
                    b += o0 * (l0[i] - r0[i]) + o1 * (l1[i] - r1[i]) + o2 * (l2[i] - r2[i]) + o3 * (l3[i] - r3[i])
                    even[i], odd[i] = a, b
            else:
                m0, m1, m2, m3 = taps[m, k], taps[m, k + 1], taps[m, k + 2], taps[m, k + 3]
                for i in range(width):
                    s0, s1, s2, s3 = l0[i] + r0[i], l1[i] + r1[i], l2[i] + r2[i], l3[i] + r3[i]
                    d0, d1, d2, d3 = l0[i] - r0[i], l1[i] - r1[i], l2[i] - r2[i], l3[i] - r3[i]
                    a, b, c = even[i], odd[i], middle[i]
                    a += e0 * s0 + e1 * s1 + e2 * s2 + e3 * s3
                    c += m0 * s0 + m1 * s1 + m2 * s2 + m3 * s3
                    b += o0 * d0 + o1 * d1 + o2 * d2 + o3 * d3
                    even[i], odd[i], middle[i] = a, b, c
        for i in range(width):
            one, other = even[i] + odd[i], even[i] - odd[i]
            even[i] = one
            odd[i] = other


@njit(cache=True, nogil=True)
def interpolate_all(flat: Floats, before: int, taps: Floats, piece: int, up: Floats, out: Floats) -> None:
    """Fill `out`, shape (factor frames, channels), piece by piece; frame 0 is frame `before` of `flat`."""
    channels = out.shape[1]
    factor = taps.shape[0] + 1
    frames = out.shape[0] // factor
    for first in range(0, frames, piece):
        count = min(piece, frames - first)
        interpolate(flat, channels, before + first, count, taps, up)
        for i in range(count):
            for p in range(factor):
                for c in range(channels):
                    out[factor * (first + i) + p, c] = up[p, i * channels + c]
