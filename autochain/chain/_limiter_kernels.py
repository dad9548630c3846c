"""Loops of the limiter; every array is allocated by the caller. Uses `interpolate_line`."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from autochain.audio._oversample_kernels import interpolate_line

Floats = npt.NDArray[np.floating[Any]]
Integers = npt.NDArray[np.integer[Any]]

# Gains are summed as whole multiples of 2^-30: sums of integers have no rounding, so running sums neither
# drift nor depend on where they began, and a gain of 1 stays exactly 1. 2^30 times both box lengths stays
# below 2^53, where a float64 division is still exact for equal values.
UNIT = 1 << 30


@njit(cache=True, nogil=True)
def meter_line(line: Floats, start: int, count: int, rows: Floats, read: Floats) -> None:
    """Fill `read[:, i]` with a meter's four interpolator phases, taps beginning at line[start + i]."""
    first, second, third, fourth = read[0, :count], read[1, :count], read[2, :count], read[3, :count]
    read[:, :count] = 0.0
    for k in range(rows.shape[1]):
        a, b, c, d = rows[0, k], rows[1, k], rows[2, k], rows[3, k]
        here = line[start + k : start + k + count]
        for i in range(count):
            v = here[i]
            first[i] += a * v
            second[i] += b * v
            third[i] += c * v
            fourth[i] += d * v


@njit(cache=True, nogil=True)
def lower_gain(
    x: Floats,
    starts: Integers,
    stops: Integers,
    taps: Floats,
    rows: Floats,
    piece: int,
    ceiling: float,
    nearly: float,
    line: Floats,
    up: Floats,
    read: Floats,
    gain: Floats,
) -> int:
    """Lower gain[n] to what brings every peak over the ceiling near n down to it.

    Near means within 3/4 of a frame by the interpolator (quarter points, and the parabola through three of
    them for a peak between, looked for over `nearly`), within 7/8 by the meter; both in any channel. Frames
    outside the runs keep their gain. Returns the number of peaks found.
    """
    found = 0
    start = taps.shape[1] // 2 - rows.shape[1] // 2
    for r in range(starts.size):
        for first in range(starts[r], stops[r], piece):
            count = min(piece, stops[r] - first)
            for channel in range(x.shape[1]):
                # One frame more on each side: the neighbours of the first and last quarter points.
                interpolate_line(x, channel, first - 1, count + 2, taps, line, up)
                meter_line(line, start, count + 2, rows, read)
                for i in range(1, count + 1):
                    top = max(abs(up[0, i]), abs(up[1, i]), abs(up[2, i]), abs(up[3, i]))
                    metered = max(abs(read[0, i]), abs(read[1, i]), abs(read[2, i]), abs(read[3, i]))
                    if top <= nearly and metered <= ceiling:
                        continue
                    between = float(metered)
                    at = 0.0
                    for p in range(4):
                        v = float(up[p, i])
                        before = float(up[p - 1, i]) if p > 0 else float(up[3, i - 1])
                        after = float(up[p + 1, i]) if p < 3 else float(up[0, i + 1])
                        if v < 0.0:
                            v, before, after = -v, -before, -after
                        peak = v
                        if v > nearly and v >= before and v >= after and 2.0 * v > before + after:
                            peak = v + (before - after) ** 2 / (8.0 * (2.0 * v - before - after))
                        if p == 0:
                            at = peak
                        else:
                            between = max(between, peak)
                    # A little lower than exact, so that rounding in the gain and in the product cannot lift a
                    # sample over the ceiling.
                    n = first + i - 1
                    at = max(at, between)
                    if at > ceiling:
                        gain[n] = min(gain[n], ceiling / at * (1.0 - 2.5e-7))
                        found += 1
                    if between > ceiling:
                        gain[n + 1] = min(gain[n + 1], ceiling / between * (1.0 - 2.5e-7))
    return found


@njit(cache=True, nogil=True)
def hold_minimum(gain: Floats, block: Floats, lowest_since: Floats) -> None:
    """Replace gain[n] by the minimum of gain[n - window + 1 .. n]; before the first value nothing counts.

    Block-wise prefix and suffix minima (M. van Herk, Pattern Recognition Letters 13, 1992): three comparisons
    a value, whatever the window. `block` and `lowest_since` are scratch of the window's length.
    """
    window = block.size
    size = gain.size
    for i in range(window):
        lowest_since[i] = 1.0
    for first in range(0, size, window):
        count = min(window, size - first)
        so_far = gain[first]
        for i in range(count):
            value = gain[first + i]
            block[i] = value
            so_far = min(so_far, value)
            # lowest_since[i] is the minimum of the block before from place i on.
            gain[first + i] = min(so_far, lowest_since[i + 1]) if i + 1 < window else so_far
        if count == window:
            to_end = block[window - 1]
            for i in range(window - 1, -1, -1):
                to_end = min(to_end, block[i])
                lowest_since[i] = to_end


@njit(cache=True, nogil=True)
def release_even(gain: Floats, coefficient: float) -> None:
    """Let the gain fall at once and return to 1 exponentially: min(g, r' + coefficient (1 - r'))."""
    held = 1.0
    for n in range(gain.size):
        held += coefficient * (1.0 - held)
        # The last rest, under 1e-8, would take hundreds of milliseconds to vanish by itself.
        if held > 0.99999999:
            held = 1.0
        held = min(held, float(gain[n]))
        gain[n] = held


@njit(cache=True, nogil=True)
def smooth_and_apply(
    gain: Floats,
    first_length: int,
    second_length: int,
    x: Floats,
    hop: int,
    y: Floats,
    lowest: Floats,
    mean: Floats,
) -> None:
    """Multiply the samples by the gain, averaged over the look-ahead by two boxes in a row.

    s[n] is the mean over i < second_length, j < first_length of gain[n + i + j]. `lowest` and `mean` take the
    smallest and the mean s per hop of frames.
    """
    frames, channels = x.shape
    full = UNIT * first_length * second_length
    trailing = 0  # sum of the first box at n
    for j in range(first_length):
        trailing += int(gain[j] * UNIT)
    leading = trailing  # the same at n + second_length
    total = 0
    for i in range(second_length):
        total += leading
        if i + first_length < gain.size:
            leading += int(gain[i + first_length] * UNIT) - int(gain[i] * UNIT)
    for block in range(lowest.size):
        first = block * hop
        last = min(frames, first + hop)
        smallest = full
        summed = 0.0
        for n in range(first, last):
            smallest = min(smallest, total)
            s = total / full
            summed += s
            if total == full:
                for channel in range(channels):
                    y[n, channel] = x[n, channel]
            else:
                for channel in range(channels):
                    y[n, channel] = x[n, channel] * s
            total += leading - trailing
            trailing += int(gain[n + first_length] * UNIT) - int(gain[n] * UNIT)
            ahead = n + second_length
            leading += int(gain[ahead + first_length] * UNIT) - int(gain[ahead] * UNIT)
        lowest[block] = smallest / full
        mean[block] = summed / (last - first)
