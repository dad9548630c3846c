"""Loops of the limiter; every array is allocated by the caller. Uses `interpolate`.

Reductions, 1 - gain, are whole multiples of 2^-30: sums of integers have no rounding, so running sums neither
drift nor depend on where they began, and a gain of 1 stays exactly 1.
"""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from autochain.audio._oversample_kernels import interpolate

Floats = npt.NDArray[np.floating[Any]]
Integers = npt.NDArray[np.integer[Any]]

UNIT = 1 << 30
# What is left of a reduction goes to nothing at 1e-8 (9e-8 dB): the last rest would take hundreds of
# milliseconds to vanish by itself.
_NOTHING = 1e-8 * UNIT


@njit(cache=True, nogil=True, fastmath={"contract"})
def meter(flat: Floats, channels: int, first: int, count: int, rows: Floats, read: Floats) -> None:
    """Fill `read[0, : count * channels]` with the largest magnitude of the meters' seven points after each frame.

    Frames first .. first + count - 1 of the interleaved `flat`, each with the points before the next. `rows` are
    mirrored as those of an `Interpolator`: three pairs and the point midway; the larger magnitude of a pair is
    |E| + |O|. The other rows of `read` are scratch.
    """
    width = count * channels
    r0, r1, r2, r3 = read[0, :width], read[1, :width], read[2, :width], read[3, :width]
    r4, r5, r6 = read[4, :width], read[5, :width], read[6, :width]
    read[:, :width] = 0.0
    for k in range(rows.shape[1]):
        w0, w1, w2, w3 = rows[0, k], rows[1, k], rows[2, k], rows[3, k]
        w4, w5, w6 = rows[4, k], rows[5, k], rows[6, k]
        start = (first - k) * channels
        left = flat[start : start + width]
        start = (first + k + 1) * channels
        right = flat[start : start + width]
        for i in range(width):
            s, d = left[i] + right[i], left[i] - right[i]
            r0[i] += w0 * s
            r1[i] += w1 * d
            r2[i] += w2 * s
            r3[i] += w3 * d
            r4[i] += w4 * s
            r5[i] += w5 * d
            r6[i] += w6 * s
    for i in range(width):
        published = max(abs(r0[i]) + abs(r1[i]), abs(r2[i]) + abs(r3[i]))
        r0[i] = max(max(published, abs(r4[i]) + abs(r5[i])), abs(r6[i]))


@njit(cache=True, nogil=True)
def find_needs(
    flat: Floats,
    channels: int,
    starts: Integers,
    stops: Integers,
    taps: Floats,
    rows: Floats,
    ceiling: float,
    nearly: float,
    up: Floats,
    read: Floats,
    first: int,
    needs: Integers,
) -> int:
    """Raise needs[.., n - first] to the reduction that brings every peak over the ceiling near n down to it.

    `needs` has one line for all channels or one for each. Near means within 3/4 of a frame by the interpolator
    (quarter points, and the parabola through three of them for a peak between, looked for over `nearly`),
    within 7/8 by the meters. Frames outside the runs keep what they need. Returns the number of peaks found.
    """
    found = 0
    piece = up.shape[1] // channels - 2
    for r in range(starts.size):
        for begin in range(starts[r], stops[r], piece):
            count = min(piece, stops[r] - begin)
            # One frame more on each side: the neighbours of the first and last quarter points.
            interpolate(flat, channels, begin - 1, count + 2, taps, up)
            meter(flat, channels, begin - 1, count + 2, rows, read)
            for j in range(channels, (count + 1) * channels):
                top = max(abs(up[0, j]), abs(up[1, j]), abs(up[2, j]), abs(up[3, j]))
                metered = read[0, j]
                if top <= nearly and metered <= ceiling:
                    continue
                between = float(metered)
                at = 0.0
                for p in range(4):
                    v = float(up[p, j])
                    before = float(up[p - 1, j]) if p > 0 else float(up[3, j - channels])
                    after = float(up[p + 1, j]) if p < 3 else float(up[0, j + channels])
                    if v < 0.0:
                        v, before, after = -v, -before, -after
                    peak = v
                    if v > nearly and v >= before and v >= after and 2.0 * v > before + after:
                        peak = v + (before - after) ** 2 / (8.0 * (2.0 * v - before - after))
                    if p == 0:
                        at = peak
                    else:
                        between = max(between, peak)
                # A little more than exact, so that rounding in the gain and in the product cannot lift a
                # sample over the ceiling.
                frame = j // channels
                need = needs[j - frame * channels if needs.shape[0] > 1 else 0]
                n = begin + frame - 1 - first
                at = max(at, between)
                if at > ceiling:
                    need[n] = max(need[n], int(UNIT * (1.0 - ceiling / at * (1.0 - 2.5e-7))) + 1)
                    found += 1
                if between > ceiling:
                    need[n + 1] = max(need[n + 1], int(UNIT * (1.0 - ceiling / between * (1.0 - 2.5e-7))) + 1)
    return found


@njit(cache=True, nogil=True)
def link_needs(needs: Integers, link: float) -> None:
    """Raise the smaller of two channels' needs by the share `link` of the way to the larger one, in dB."""
    for n in range(needs.shape[1]):
        if needs[0, n] != needs[1, n]:
            most = max(needs[0, n], needs[1, n])
            for line in range(2):
                if needs[line, n] < most:
                    gain = (1.0 - needs[line, n] / UNIT) ** (1.0 - link) * (1.0 - most / UNIT) ** link
                    # Rounding must not take anything from what the channel needs itself.
                    needs[line, n] = min(most, max(needs[line, n], int(UNIT * (1.0 - gain)) + 1))


@njit(cache=True, nogil=True)
def hold_maximum(needs: Integers, ahead: int, highest_since: Integers, held: Integers) -> None:
    """Fill held[n] with the maximum of needs[n .. n + ahead].

    Block-wise prefix and suffix maxima (M. van Herk, Pattern Recognition Letters 13, 1992): three comparisons
    a value, whatever the window. `highest_since` is scratch of ahead + 2.
    """
    window = ahead + 1
    size = needs.size
    highest_since[:] = 0
    for begin in range(0, size, window):
        count = min(window, size - begin)
        so_far = needs[begin] * 0
        for i in range(count):
            so_far = max(so_far, needs[begin + i])
            if begin + i >= ahead:
                # highest_since[i] is the maximum of the block before from place i on.
                held[begin + i - ahead] = max(so_far, highest_since[i + 1])
        if count == window:
            to_end = needs[begin] * 0
            for i in range(window - 1, -1, -1):
                to_end = max(to_end, needs[begin + i])
                highest_since[i] = to_end


@njit(cache=True, nogil=True)
def release_fixed(held: Integers, state: Floats, fall: float) -> None:
    """Let the reduction rise at once and fall by the share `fall` of it a frame; state[0] is the last one."""
    reduction = state[0]
    keep = 1.0 - fall
    for n in range(held.size):
        reduction = max(reduction * keep, float(held[n]))
        if reduction < _NOTHING:
            reduction = 0.0
        held[n] = int(reduction)
    state[0] = reduction


@njit(cache=True, nogil=True)
def release_by_work(
    held: Integers, state: Floats, fall: float, slowest: float, hold: int, remember: float
) -> None:
    """Let the reduction fall the slower, the larger the share of the time that lay close after work.

    state: reduction, that share, frames since the last frame that needed any.
    """
    reduction, share, since = state[0], state[1], int(state[2])
    for n in range(held.size):
        since = 0 if held[n] > 0 else since + 1
        share += remember * ((1.0 if since <= hold else 0.0) - share)
        reduction = max(reduction * (1.0 - fall / (1.0 + (slowest - 1.0) * share)), float(held[n]))
        if reduction < _NOTHING:
            reduction = 0.0
        if share < 1e-8 and since > hold:
            share = 0.0
        held[n] = int(reduction)
    state[0], state[1], state[2] = reduction, share, min(since, hold + 1)


@njit(cache=True, nogil=True)
def release_two_stage(held: Integers, state: Floats, fall: float, follow: float) -> None:
    """Let the reduction fall fast, but not under a slow average of what was needed.

    state: reduction, that average.
    """
    reduction, slow = state[0], state[1]
    for n in range(held.size):
        need = float(held[n])
        slow += follow * (need - slow)
        if slow < _NOTHING:
            slow = 0.0
        reduction = max(reduction * (1.0 - fall), slow, need)
        if reduction < _NOTHING:
            reduction = 0.0
        held[n] = int(reduction)
    state[0], state[1] = reduction, slow


@njit(cache=True, nogil=True)
def smooth(reduction: Integers, first_length: int, second_length: int, sums: Integers, total: Integers) -> None:
    """Fill total[n] with the sum, over i < second_length and j < first_length, of reduction[n + w - i - j].

    w = first_length + second_length frames of `reduction` come before those that `total` stands for.
    sums: the inner sum now and second_length frames ago, and the outer sum; all zero at first.
    """
    w = first_length + second_length
    inner, earlier, outer = sums[0], sums[1], sums[2]
    for n in range(total.size):
        inner += reduction[n + w] - reduction[n + w - first_length]
        earlier += reduction[n + w - second_length] - reduction[n]
        outer += inner - earlier
        total[n] = outer
    sums[0], sums[1], sums[2] = inner, earlier, outer


@njit(cache=True, nogil=True)
def apply_gain(
    x: Floats,
    channel: int,
    begin: int,
    total: Integers,
    unit: float,
    y: Floats,
    low: int,
    high: int,
    frame: int,
    hop: int,
    most: Integers,
    summed: Integers,
) -> None:
    """Fill y[n] with x[begin + n] times 1 - total[n] / unit, for one channel, or for all if `channel` is -1.

    For frames low .. high, `most` takes the largest total per hop and `summed` their sum; `frame` is the place
    of frame 0 in the stream.
    """
    scale = 1.0 / unit
    if channel < 0:
        for n in range(total.size):
            gain = 1.0 - total[n] * scale
            for c in range(x.shape[1]):
                y[n, c] = x[begin + n, c] * gain
    else:
        for n in range(total.size):
            y[n, channel] = x[begin + n, channel] * (1.0 - total[n] * scale)
    n = low
    while n < high:
        block = (frame + n) // hop
        stop = min(high, (block + 1) * hop - frame)
        highest = most[block]
        here = summed[block]
        for i in range(n, stop):
            highest = max(highest, total[i])
            here += total[i]
        most[block] = highest
        summed[block] = here
        n = stop
