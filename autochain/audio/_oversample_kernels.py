"""Loops of the fourfold interpolation; every array is allocated by the caller.

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

    `bits` and `bend_bits` are integer views of the flat arrays `x` and `bend` (scratch, one block long).
    Without the sign bit, floats order like integers, and an integer maximum vectorises where a float one,
    which must mind NaN, does not. Both results keep the maximum with what they hold already: the caller puts
    the second differences at the ends of the signal there.
    """
    size = x.size
    span = block * channels
    for j in range(level_bits.size):
        first = j * span
        count = min(span, size - first)
        low = max(first, channels)
        high = min(first + count, size - channels)
        for k in range(low, high):
            bend[k - low] = x[k - channels] - x[k] - x[k] + x[k + channels]
        level = level_bits[j]
        curve = curve_bits[j]
        for i in range(count):
            level = max(level, bits[first + i] & mask)
        for i in range(high - low):
            curve = max(curve, bend_bits[i] & mask)
        level_bits[j] = level
        curve_bits[j] = curve


@njit(cache=True, nogil=True)
def interpolate_line(
    x: Floats, channel: int, first: int, count: int, taps: Floats, line: Floats, up: Floats
) -> None:
    """Fill `up[:, :count]` with the signal at frames first + i and the three quarter points after each.

    `taps` has shape (3, 2 T), row p the weights of frames n - T + 1 .. n + T for the point n + (p + 1)/4.
    `line` is scratch of at least count + 2 T. Outside the signal there is silence.
    """
    width = taps.shape[1]
    frames = x.shape[0]
    begin = first - width // 2 + 1
    total = count + width - 1
    for i in range(total):
        line[i] = 0.0
    low = max(0, -begin)
    high = min(total, frames - begin)
    for i in range(low, high):
        line[i] = x[begin + i, channel]
    base = width // 2 - 1
    for i in range(count):
        up[0, i] = line[base + i]
    quarter = up[1, :count]
    half = up[2, :count]
    three_quarters = up[3, :count]
    quarter[:] = 0.0
    half[:] = 0.0
    three_quarters[:] = 0.0
    # Taps outside, outputs inside: neighbouring outputs are independent sums, so this vectorises with the
    # order of every sum fixed. Slices spare the loop its check for negative indices, which would stop that.
    for k in range(0, width, 2):
        q0, q1 = taps[0, k], taps[0, k + 1]
        h0, h1 = taps[1, k], taps[1, k + 1]
        t0, t1 = taps[2, k], taps[2, k + 1]
        here = line[k : k + count]
        after = line[k + 1 : k + 1 + count]
        for i in range(count):
            v = here[i]
            w = after[i]
            quarter[i] += q0 * v + q1 * w
            half[i] += h0 * v + h1 * w
            three_quarters[i] += t0 * v + t1 * w


@njit(cache=True, nogil=True)
def interpolate_all(x: Floats, taps: Floats, piece: int, line: Floats, up: Floats, out: Floats) -> None:
    """Fill `out`, shape (4 frames, channels), piece by piece."""
    frames, channels = x.shape
    for first in range(0, frames, piece):
        count = min(piece, frames - first)
        for channel in range(channels):
            interpolate_line(x, channel, first, count, taps, line, up)
            for i in range(count):
                for p in range(4):
                    out[4 * (first + i) + p, channel] = up[p, i]
