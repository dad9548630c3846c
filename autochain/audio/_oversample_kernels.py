"""Loops of oversampling; every array is allocated by the caller.

`interpolate_line` is compiled into kernels of other modules. Numba's on-disk cache looks only at the file of
the calling kernel: after a change here, touch those files (grep for the name).
"""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]
Integers = npt.NDArray[np.integer[Any]]


@njit(cache=True, nogil=True)
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

    `bits` and `bend_bits` are integer views of the flat arrays `x` and `bend` (scratch as long as x, its first
    and last frame zero). Without the sign bit, floats order like integers, and an integer maximum vectorises
    where a float one, which must mind NaN, does not.
    """
    before = x[: x.size - 2 * channels]
    here = x[channels : x.size - channels]
    after = x[2 * channels :]
    middle = bend[channels : x.size - channels]
    for k in range(here.size):
        middle[k] = before[k] - here[k] - here[k] + after[k]
    span = block * channels
    for j in range(level_bits.size):
        values = bits[j * span : (j + 1) * span]
        bends = bend_bits[j * span : (j + 1) * span]
        level = mask & 0
        curve = mask & 0
        for i in range(values.size):
            level = max(level, values[i] & mask)
            curve = max(curve, bends[i] & mask)
        level_bits[j] = level
        curve_bits[j] = curve


@njit(cache=True, nogil=True)
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
) -> int:
    """Fill the first and past-the-end frames of runs of blocks, first .. last, whose bound exceeds `limit`.

    Returns their number. `radius` blocks before the first and after the last block are looked at.
    """
    count = 0
    inside = False
    for j in range(first, last):
        highest = level[j]
        bend = curve[j]
        for i in range(j - radius, j + radius + 1):
            highest = max(highest, level[i])
            bend = max(bend, curve[i])
        near = max(level[j], level[j + 1])
        above = min(highest * absolute_sum, near + bend * curvature_sum) > limit
        if above and not inside:
            starts[count] = j * block
        if inside and not above:
            stops[count] = j * block
            count += 1
        inside = above
    if inside:
        stops[count] = last * block
        count += 1
    return count


@njit(cache=True, nogil=True)
def interpolate_line(
    x: Floats, channel: int, first: int, count: int, taps: Floats, line: Floats, up: Floats
) -> None:
    """Fill `up[:, :count]` with the signal at frames first + i and the points between each and the next.

    `taps` has shape (factor - 1, 2 T), row p the weights of frames n - T + 1 .. n + T for the point
    n + (p + 1)/factor. `line` is scratch of at least count + 2 T. Outside the signal there is silence.
    """
    rows, width = taps.shape
    frames = x.shape[0]
    begin = first - width // 2 + 1
    total = count + width - 1
    low = max(0, -begin)
    high = max(low, min(total, frames - begin))
    line[:low] = 0.0
    line[high:total] = 0.0
    for i in range(low, high):
        line[i] = x[begin + i, channel]
    base = width // 2 - 1
    for i in range(count):  # one array assigned to another would bring two seconds of compiling
        up[0, i] = line[base + i]
    # Taps outside, outputs inside: neighbouring outputs are independent sums, so this vectorises with the
    # order of every sum fixed. Slices spare the loop its check for negative indices, which would stop that.
    # Three rows at a time share what is read of the line.
    for p in range(0, rows // 3 * 3, 3):
        one = up[p + 1, :count]
        two = up[p + 2, :count]
        three = up[p + 3, :count]
        one[:] = 0.0
        two[:] = 0.0
        three[:] = 0.0
        for k in range(0, width, 2):
            a0, a1 = taps[p, k], taps[p, k + 1]
            b0, b1 = taps[p + 1, k], taps[p + 1, k + 1]
            c0, c1 = taps[p + 2, k], taps[p + 2, k + 1]
            here = line[k : k + count]
            after = line[k + 1 : k + 1 + count]
            for i in range(count):
                v = here[i]
                w = after[i]
                one[i] += a0 * v + a1 * w
                two[i] += b0 * v + b1 * w
                three[i] += c0 * v + c1 * w
    for p in range(rows // 3 * 3, rows):
        row = up[p + 1, :count]
        row[:] = 0.0
        for k in range(0, width, 2):
            a0, a1 = taps[p, k], taps[p, k + 1]
            here = line[k : k + count]
            after = line[k + 1 : k + 1 + count]
            for i in range(count):
                row[i] += a0 * here[i] + a1 * after[i]


@njit(cache=True, nogil=True)
def interpolate_all(x: Floats, taps: Floats, piece: int, line: Floats, up: Floats, out: Floats) -> None:
    """Fill `out`, shape (factor frames, channels), piece by piece."""
    frames, channels = x.shape
    factor = taps.shape[0] + 1
    for first in range(0, frames, piece):
        count = min(piece, frames - first)
        for channel in range(channels):
            interpolate_line(x, channel, first, count, taps, line, up)
            for i in range(count):
                for p in range(factor):
                    out[factor * (first + i) + p, channel] = up[p, i]
