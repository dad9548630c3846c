"""Loops of the limiter; every array is allocated by the caller. Uses `interpolate`.

Loops that only others use are compiled inside these (`inline`): apart, each would be compiled twice.

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
Flags = npt.NDArray[np.bool_]

UNIT = 1 << 30
# What is left of a reduction goes to nothing at 1e-8 (9e-8 dB): the last rest would take hundreds of
# milliseconds to vanish by itself.
_NOTHING = 1e-8 * UNIT
_FRAMES_SURE = 64

FIXED, BY_WORK, TWO_STAGE, EVEN_IN_DB, STRAIGHT_IN_DB = 0, 1, 2, 3, 4  # ways of release


@njit(cache=True, nogil=True, fastmath={"contract"})
def _sum_of_six(w: Floats, a: Any, b: Any, c: Any, d: Any, e: Any, f: Any) -> Any:
    """Sum of six products, added up in this order on every machine: hence the zero, which the first is added to."""
    total = w[0] * (w[0] - w[0])
    total = total + w[0] * a
    total = total + w[1] * b
    total = total + w[2] * c
    total = total + w[3] * d
    total = total + w[4] * e
    return total + w[5] * f


@njit(cache=True, nogil=True, fastmath={"contract"})
def meter(flat: Floats, channels: int, first: int, count: int, rows: Floats, read: Floats) -> None:
    """Fill `read[: count * channels]` with the largest magnitude of the meters' seven points after each frame.

    Frames first .. first + count - 1 of the interleaved `flat`, each with the points before the next. `rows` are
    mirrored as those of an `Interpolator`, six taps each: three pairs and the point midway; the larger magnitude of a
    pair is |E| + |O|.
    """
    width = count * channels
    # Written out, so that all seven sums of a frame stay in registers: four times as fast as tap after tap.
    l0 = flat[first * channels : first * channels + width]
    l1 = flat[(first - 1) * channels : (first - 1) * channels + width]
    l2 = flat[(first - 2) * channels : (first - 2) * channels + width]
    l3 = flat[(first - 3) * channels : (first - 3) * channels + width]
    l4 = flat[(first - 4) * channels : (first - 4) * channels + width]
    l5 = flat[(first - 5) * channels : (first - 5) * channels + width]
    r0 = flat[(first + 1) * channels : (first + 1) * channels + width]
    r1 = flat[(first + 2) * channels : (first + 2) * channels + width]
    r2 = flat[(first + 3) * channels : (first + 3) * channels + width]
    r3 = flat[(first + 4) * channels : (first + 4) * channels + width]
    r4 = flat[(first + 5) * channels : (first + 5) * channels + width]
    r5 = flat[(first + 6) * channels : (first + 6) * channels + width]
    highest = read[:width]
    w0, w1, w2, w3, w4, w5, w6 = rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], rows[6]
    for i in range(width):
        s0, s1, s2 = l0[i] + r0[i], l1[i] + r1[i], l2[i] + r2[i]
        s3, s4, s5 = l3[i] + r3[i], l4[i] + r4[i], l5[i] + r5[i]
        d0, d1, d2 = l0[i] - r0[i], l1[i] - r1[i], l2[i] - r2[i]
        d3, d4, d5 = l3[i] - r3[i], l4[i] - r4[i], l5[i] - r5[i]
        even = _sum_of_six(w0, s0, s1, s2, s3, s4, s5)
        odd = _sum_of_six(w1, d0, d1, d2, d3, d4, d5)
        most = abs(even) + abs(odd)
        even = _sum_of_six(w2, s0, s1, s2, s3, s4, s5)
        odd = _sum_of_six(w3, d0, d1, d2, d3, d4, d5)
        most = max(most, abs(even) + abs(odd))
        even = _sum_of_six(w4, s0, s1, s2, s3, s4, s5)
        odd = _sum_of_six(w5, d0, d1, d2, d3, d4, d5)
        most = max(most, abs(even) + abs(odd))
        even = _sum_of_six(w6, s0, s1, s2, s3, s4, s5)
        highest[i] = max(most, abs(even))


@njit(cache=True, nogil=True)
def _through_peak(v: float, before: float, after: float) -> float:
    """Top of the parabola through a magnitude and its neighbours where it lies between them, else the magnitude."""
    if v < 0.0:
        v, before, after = -v, -before, -after
    if v >= before and v >= after and 2.0 * v > before + after:
        return v + (before - after) ** 2 / (8.0 * (2.0 * v - before - after))
    return v


@njit(cache=True, nogil=True)
def peaks_near(up: Floats, channels: int, read: Floats, nearly: float, turns: Flags, peaks: Floats) -> None:
    """Fill `peaks`, shape (2, n), with the highest magnitude within 3/4 of a frame, and of that what lies behind it.

    For the frames in `up`, four points each as `interpolate` gives them, but the first and the last: quarter points,
    the parabola through three of them for a peak over `nearly`, and what meters `read`. `turns` is scratch.
    """
    size = turns.size
    near, behind = peaks[0, :size], peaks[1, :size]
    a, b = up[0, channels : channels + size], up[1, channels : channels + size]
    c, d = up[2, channels : channels + size], up[3, channels : channels + size]
    last, following, metered = up[3, :size], up[0, 2 * channels : 2 * channels + size], read[channels : channels + size]
    for i in range(size):
        u, v, w, z = abs(a[i]), abs(b[i]), abs(c[i]), abs(d[i])
        highest = max(max(v, w), max(z, metered[i]))
        behind[i] = highest
        near[i] = max(highest, u)
        # Where the waveform turns, on the way out or back: looked at more closely below.
        e, f, g, h, k = a[i] - last[i], a[i] - b[i], b[i] - c[i], c[i] - d[i], d[i] - following[i]
        turns[i] = (
            ((u > nearly) & (e * f >= 0.0))
            | ((v > nearly) & (f * g <= 0.0))
            | ((w > nearly) & (g * h <= 0.0))
            | ((z > nearly) & (h * k <= 0.0))
        )
    for i in range(size):
        if turns[i]:
            at, between = near[i], behind[i]
            if abs(a[i]) > nearly:
                at = max(at, _through_peak(a[i], last[i], b[i]))
            if abs(b[i]) > nearly:
                between = max(between, _through_peak(b[i], a[i], c[i]))
            if abs(c[i]) > nearly:
                between = max(between, _through_peak(c[i], b[i], d[i]))
            if abs(d[i]) > nearly:
                between = max(between, _through_peak(d[i], c[i], following[i]))
            behind[i] = between
            near[i] = max(at, between)


@njit(cache=True, nogil=True, error_model="numpy")
def raise_needs(peaks: Floats, ceiling: float, needs: Integers) -> int:
    """Raise needs[i] to the reduction that brings peaks[i] down to the ceiling; returns how many are over it."""
    found = 0
    for i in range(peaks.size):
        # A little more than exact, so that rounding in the gain and in the product cannot lift a sample over the
        # ceiling.
        need = np.int32(UNIT * (1.0 - ceiling / peaks[i] * (1.0 - 2.5e-7))) + np.int32(1)
        over = peaks[i] > ceiling
        needs[i] = max(needs[i], need if over else np.int32(0))
        found += over
    return found


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
    turns: Flags,
    peaks: Floats,
    first: int,
    needs: Integers,
) -> int:
    """Fill needs[.., n - first] with the reduction that brings every peak over the ceiling near n down to it.

    `needs` has one line for all channels or one for each. Near means within 3/4 of a frame by the interpolator
    (quarter points, and the parabola through three of them for a peak between, looked for over `nearly`),
    within 7/8 by the meters. Frames outside the runs need none. Returns how many frames have such peaks.
    `read`, `turns` and `peaks`, shape (4, n), are scratch as wide as `up`.
    """
    found = 0
    needs[:] = 0
    piece = up.shape[1] // channels - 2
    for r in range(starts.size):
        for begin in range(starts[r], stops[r], piece):
            count = min(piece, stops[r] - begin)
            # One frame more on each side: the neighbours of the first and last quarter points.
            interpolate(flat, channels, begin - 1, count + 2, taps, up)
            meter(flat, channels, begin - 1, count + 2, rows, read)
            peaks_near(up, channels, read, nearly, turns[: count * channels], peaks)
            for line in range(needs.shape[0]):
                near, behind = peaks[0, :count], peaks[1, :count]
                if channels == 2:
                    near, behind = peaks[2, :count], peaks[3, :count]
                    # One gain for both channels follows the higher peak.
                    left = line if needs.shape[0] == 2 else 0
                    right = line if needs.shape[0] == 2 else 1
                    for i in range(count):
                        near[i] = max(peaks[0, 2 * i + left], peaks[0, 2 * i + right])
                        behind[i] = max(peaks[1, 2 * i + left], peaks[1, 2 * i + right])
                n = begin - first
                found += raise_needs(near, ceiling, needs[line, n : n + count])
                raise_needs(behind, ceiling, needs[line, n + 1 : n + 1 + count])
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


@njit(cache=True, nogil=True, inline="always")
def hold_maximum(needs: Integers, ahead: int, longer: Integers, held: Integers) -> None:
    """Fill held[n] with the maximum of needs[n .. n + ahead].

    By windows of doubled length, the last two overlapping: every loop goes by vectors. `longer`, shape (2, needs), is
    scratch.
    """
    width = 1
    row = 0
    largest = needs
    while 2 * width <= ahead + 1:
        count = needs.size - 2 * width + 1
        first, second, both = largest[:count], largest[width : width + count], longer[row, :count]
        for n in range(count):
            both[n] = max(first[n], second[n])
        largest = longer[row]
        row = 1 - row
        width *= 2
    first, second = largest[: held.size], largest[ahead + 1 - width : ahead + 1 - width + held.size]
    for n in range(held.size):
        held[n] = max(first[n], second[n])


@njit(cache=True, nogil=True, inline="always")
def release_fixed(held: Integers, state: Floats, fall: float) -> None:
    """Let the reduction rise at once and fall by the share `fall` of it a frame; state[0] is the last one."""
    reduction = state[0]
    keep = 1.0 - fall
    left = 0.99 * keep**_FRAMES_SURE
    for begin in range(0, held.size, _FRAMES_SURE):
        end = min(held.size, begin + _FRAMES_SURE)
        if reduction * left > _NOTHING:
            # It does not come to nothing here: one test less between a value and the next, which waits for it.
            for n in range(begin, end):
                reduction = reduction * keep
                need = float(held[n])
                reduction = need if need > reduction else reduction
                held[n] = int(reduction)
        else:
            for n in range(begin, end):
                reduction = max(reduction * keep, float(held[n]))
                if reduction < _NOTHING:
                    reduction = 0.0
                held[n] = int(reduction)
    state[0] = reduction


@njit(cache=True, nogil=True, inline="always")
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


@njit(cache=True, nogil=True, inline="always")
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


@njit(cache=True, nogil=True, inline="always")
def release_in_db(held: Integers, state: Floats, fall: float) -> None:
    """Let the reduction in dB fall by the share `fall` of it a frame; state[0] is -ln gain, in units."""
    nepers, keep = state[0] / UNIT, 1.0 - fall
    for n in range(held.size):
        nepers = nepers * keep if UNIT * nepers >= _NOTHING else 0.0
        reduction = -UNIT * np.expm1(-nepers)
        # Rounding must not take anything from what is needed.
        if held[n] > reduction:
            nepers = -np.log1p(-held[n] / UNIT)
        else:
            held[n] = int(reduction)
    state[0] = UNIT * nepers


@njit(cache=True, nogil=True, inline="always")
def release_straight(held: Integers, state: Floats, rise: float) -> None:
    """Let the gain rise by the share `rise` of it a frame, which is so many dB a second; state[0] is the reduction."""
    reduction = state[0]
    for n in range(held.size):
        reduction = max(reduction - rise * (UNIT - reduction), float(held[n]))
        held[n] = int(reduction)
    state[0] = reduction


@njit(cache=True, nogil=True, inline="always")
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


@njit(cache=True, nogil=True, inline="always")
def release(held: Integers, state: Floats, how: tuple[Any, ...]) -> None:
    """Raise what is held to the reduction, in place; `how` has the fields of a `limiter_release.Release`."""
    way, fall, follow, slowest, hold, remember = how
    if way == FIXED:
        release_fixed(held, state, fall)
    elif way == BY_WORK:
        release_by_work(held, state, fall, slowest, hold, remember)
    elif way == TWO_STAGE:
        release_two_stage(held, state, fall, follow)
    elif way == EVEN_IN_DB:
        release_in_db(held, state, fall)
    else:
        release_straight(held, state, fall)


@njit(cache=True, nogil=True, inline="always")
def apply_gain(x: Floats, channels: int, channel: int, total: Integers, unit: float, y: Floats) -> None:
    """Fill frames of the interleaved y with x times 1 - total[n] / unit: of one channel, or of all if it is -1."""
    scale = 1.0 / unit
    if channel < 0 and channels == 2:  # written out: as vectors it takes a third of the time
        for n in range(total.size):
            gain = 1.0 - total[n] * scale
            y[2 * n] = x[2 * n] * gain
            y[2 * n + 1] = x[2 * n + 1] * gain
    else:
        first = max(channel, 0)
        for n in range(total.size):
            y[first + channels * n] = x[first + channels * n] * (1.0 - total[n] * scale)


@njit(cache=True, nogil=True)
def turn_down(
    x: Floats,
    channels: int,
    channel: int,
    fresh: Integers,
    line: tuple[Any, ...],
    how: tuple[Any, ...],
    y: Floats,
    tally: tuple[Any, ...],
) -> bool:
    """Fill y with a cell of x under the gain of a line, which lies the look-ahead before the `fresh` needs.

    `channel` as of `apply_gain`, `line` and `how` are the fields of `limiter_gain.LimiterLine` and
    `limiter_release.Release`. `tally` takes, per hop of the stream, the largest total and the sum of totals: low and
    high frame of the cell that count, the place of the cell's frame 0 in the stream, frames of a hop, both arrays.
    Returns whether the line is at rest behind it: nothing held, released or averaged.
    """
    first_length, second_length, needs, reductions, state, sums, totals, longer = line
    low, high, frame, hop, most, summed = tally
    cell = fresh.size
    ahead, before = needs.size - cell, reductions.size - cell
    unit = float(UNIT * first_length * second_length)
    for n in range(cell):
        needs[ahead + n] = fresh[n]
    hold_maximum(needs, ahead, longer, reductions[before:])
    # In pieces that stay in the first-level cache from one loop to the next.
    for begin in range(0, cell, totals.size):
        end = min(cell, begin + totals.size)
        total = totals[: end - begin]
        release(reductions[before + begin : before + end], state, how)
        smooth(reductions[begin : before + end], first_length, second_length, sums, total)
        apply_gain(x[begin * channels :], channels, channel, total, unit, y[begin * channels :])
        n = max(begin, low)
        while n < min(end, high):
            block = (frame + n) // hop
            stop = min(min(end, high), (block + 1) * hop - frame)
            highest, here = most[block], summed[block]
            for i in range(n - begin, stop - begin):
                highest = max(highest, total[i])
                here += total[i]
            most[block], summed[block] = highest, here
            n = stop
    left = state[0] != 0.0 or state[1] != 0.0
    for value in sums:
        left = left or value != 0
    for n in range(ahead):
        needs[n] = needs[cell + n]
        left = left or needs[n] != 0
    for n in range(before):
        reductions[n] = reductions[cell + n]
        left = left or reductions[n] != 0
    return not left
