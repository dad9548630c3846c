"""Loops of the compressors: level, detector, gain. State arrays and results come from the caller."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def linked_peak(flat: Floats, channels: int, peak: Floats) -> None:
    """Fill peak[i] with the largest magnitude of frame i; `flat` holds the frames one after the other."""
    if channels == 2:
        for i in range(peak.size):
            left = abs(flat[2 * i])
            right = abs(flat[2 * i + 1])
            peak[i] = left if left > right else right
    else:
        for i in range(peak.size):
            peak[i] = abs(flat[i])


@njit(cache=True, nogil=True)
def mean_square(magnitude: Floats, pole: float, state: Floats) -> None:
    """Replace magnitudes by their mean square, a one-pole average; state[0] is its last value.

    The 1e-37 (-370 dB) keeps it out of the slow subnormal numbers in silence.
    """
    mean = state[0]
    for i in range(magnitude.size):
        x = np.float64(magnitude[i])
        mean = pole * mean + (1.0 - pole) * (x * x + 1e-37)
        magnitude[i] = mean
    state[0] = mean


@njit(cache=True, nogil=True)
def level_from_bits(
    bits: npt.NDArray[np.int32], db_per_octave: np.float32, floor: np.float32, level: Floats
) -> None:
    """Fill level[i] with the dB of a float32 >= 0 given as its bit pattern, not below `floor`.

    log2 = exponent + m + m (1 - m) q(m), m the fraction, q fitted for least largest error. Exact at powers of
    two, elsewhere within 0.0001 dB.
    """
    one = np.float32(1.0)
    for i in range(bits.size):
        exponent = np.float32(np.int32(bits[i] >> 23) - np.int32(127))
        m = np.float32(np.int32(bits[i] & 0x7FFFFF)) * np.float32(2.0**-23)
        q = np.float32(0.148426657) - np.float32(0.0451490499) * m
        q = np.float32(0.44191704) + m * (np.float32(-0.26717941) + m * q)
        db = db_per_octave * (exponent + (m + m * (one - m) * q))
        level[i] = db if db > floor else floor


@njit(cache=True, nogil=True)
def detect(
    level: Floats,
    threshold: float,
    slope: float,
    knee: float,
    attack: float,
    release: float,
    state: Floats,
    reduction: Floats,
) -> None:
    """Fill `reduction` with the smoothed reduction in dB; what a tone's peaks ask for is held between them.

    Gain computer of Giannoulis, Massberg and Reiss (2012), equation 4, written as a reduction; detector of
    their equation 17 (smooth, decoupled). `slope` is 1 - 1/ratio, `attack` and `release` are the pole values,
    `state` holds the two smoothers. The 1e-30 keeps them out of the slow subnormal numbers in silence.
    """
    lowest = threshold - knee / 2.0
    bend = slope / (2.0 * knee) if knee > 0.0 else 0.0
    peak, smooth = state[0], state[1]
    for i in range(level.size):
        over = np.float64(level[i]) - lowest
        inside = over if over > 0.0 else 0.0
        inside = inside if inside < knee else knee
        beyond = over - knee if over > knee else 0.0
        wanted = bend * inside * inside + slope * beyond
        falling = release * peak + ((1.0 - release) * wanted + 1e-30)
        peak = wanted if wanted > falling else falling
        smooth = attack * smooth + (1.0 - attack) * peak
        reduction[i] = smooth
    state[0], state[1] = peak, smooth


@njit(cache=True, nogil=True)
def detect_straight(
    level: Floats,
    threshold: float,
    slope: float,
    knee: float,
    attack: float,
    fall: float,
    state: Floats,
    reduction: Floats,
) -> None:
    """Fill `reduction` as `detect` does, but let it fall by `fall` dB a frame."""
    lowest = threshold - knee / 2.0
    bend = slope / (2.0 * knee) if knee > 0.0 else 0.0
    peak, smooth = state[0], state[1]
    for i in range(level.size):
        over = np.float64(level[i]) - lowest
        inside = min(max(over, 0.0), knee)
        wanted = bend * inside * inside + slope * max(over - knee, 0.0)
        peak = max(wanted, peak - fall)
        smooth = attack * smooth + ((1.0 - attack) * peak + 1e-30)
        reduction[i] = smooth
    state[0], state[1] = peak, smooth


@njit(cache=True, nogil=True)
def detect_four(
    a: Floats,
    b: Floats,
    c: Floats,
    d: Floats,
    threshold: float,
    slope: float,
    knee: float,
    attack: float,
    release: float,
    states: Floats,
    room: Floats,
    p: Floats,
    q: Floats,
    r: Floats,
    s: Floats,
) -> None:
    """Fill p, q, r and s with what `detect` makes of the levels a, b, c and d, as long as each other: the same bits.

    A smoother waits for its own last value, four of them wait together. `states` has a row for each. `room`, shape
    (2, 4, n), is scratch: what is wanted goes first, n frames at a time, as that waits for nothing.
    """
    lowest = threshold - knee / 2.0
    bend = slope / (2.0 * knee) if knee > 0.0 else 0.0
    pa, pb, pc, pd = states[0, 0], states[1, 0], states[2, 0], states[3, 0]
    sa, sb, sc, sd = states[0, 1], states[1, 1], states[2, 1], states[3, 1]
    for start in range(0, a.size, room.shape[2]):
        stop = min(a.size, start + room.shape[2])
        for row in range(4):
            level = a[start:stop]
            if row == 1:
                level = b[start:stop]
            elif row == 2:
                level = c[start:stop]
            elif row == 3:
                level = d[start:stop]
            wanted, rising = room[0, row, : level.size], room[1, row, : level.size]
            for i in range(level.size):
                over = np.float64(level[i]) - lowest
                inside = over if over > 0.0 else 0.0
                inside = inside if inside < knee else knee
                beyond = over - knee if over > knee else 0.0
                wanted[i] = bend * inside * inside + slope * beyond
                rising[i] = (1.0 - release) * wanted[i] + 1e-30
        for i in range(stop - start):
            wa, wb, wc, wd = room[0, 0, i], room[0, 1, i], room[0, 2, i], room[0, 3, i]
            fa, fb = release * pa + room[1, 0, i], release * pb + room[1, 1, i]
            fc, fd = release * pc + room[1, 2, i], release * pd + room[1, 3, i]
            pa, pb = wa if wa > fa else fa, wb if wb > fb else fb
            pc, pd = wc if wc > fc else fc, wd if wd > fd else fd
            sa, sb = attack * sa + (1.0 - attack) * pa, attack * sb + (1.0 - attack) * pb
            sc, sd = attack * sc + (1.0 - attack) * pc, attack * sd + (1.0 - attack) * pd
            p[start + i], q[start + i], r[start + i], s[start + i] = sa, sb, sc, sd
    states[0, 0], states[1, 0], states[2, 0], states[3, 0] = pa, pb, pc, pd
    states[0, 1], states[1, 1], states[2, 1], states[3, 1] = sa, sb, sc, sd


@njit(cache=True, nogil=True)
def largest_of_eight(level: Floats, largest: Floats) -> None:
    """Fill largest[j] with the highest of level[8 j .. 8 j + 7], the last one of what is there."""
    whole = level.size // 8
    for j in range(whole):
        eight = level[8 * j : 8 * j + 8]
        high = eight[0] if eight[0] > eight[1] else eight[1]
        two = eight[2] if eight[2] > eight[3] else eight[3]
        four = eight[4] if eight[4] > eight[5] else eight[5]
        six = eight[6] if eight[6] > eight[7] else eight[7]
        high = high if high > two else two
        four = four if four > six else six
        largest[j] = high if high > four else four
    if 8 * whole < level.size:
        high = level[8 * whole]
        for i in range(8 * whole, level.size):
            high = level[i] if level[i] > high else high
        largest[whole] = high


@njit(cache=True, nogil=True)
def detect_branching(
    level: Floats,
    threshold: float,
    slope: float,
    knee: float,
    attack: float,
    release: float,
    state: Floats,
    reduction: Floats,
) -> None:
    """Fill `reduction` as `detect` does, with the detector of equation 16 (smooth, branching); uses state[0]."""
    lowest = threshold - knee / 2.0
    bend = slope / (2.0 * knee) if knee > 0.0 else 0.0
    smooth = state[0]
    for i in range(level.size):
        over = np.float64(level[i]) - lowest
        inside = over if over > 0.0 else 0.0
        inside = inside if inside < knee else knee
        beyond = over - knee if over > knee else 0.0
        wanted = bend * inside * inside + slope * beyond
        # Both are computed and one is chosen: a branch would be guessed wrong twice a period.
        rising = attack * smooth + (1.0 - attack) * wanted
        falling = release * smooth + ((1.0 - release) * wanted + 1e-30)
        smooth = rising if wanted > smooth else falling
        reduction[i] = smooth
    state[0] = smooth


@njit(cache=True, nogil=True)
def gain_of(reduction: Floats, start: int, gain: Floats) -> None:
    """Fill gain[i] with 10^(-r / 20), r = reduction[start + i].

    That is the 64th power of a fifth-order series around 0: within 0.0001 dB up to 120 dB (more is 120), exactly
    1 at r = 0.
    """
    scale = -np.log(10.0) / 20.0 / 64.0
    for i in range(gain.size):
        r = np.float64(reduction[start + i])
        u = scale * (r if r < 120.0 else 120.0)
        p = 1.0 + u * (1.0 + u * (0.5 + u * (1.0 / 6.0 + u * (1.0 / 24.0 + u * (1.0 / 120.0)))))
        p = p * p
        p = p * p
        p = p * p
        p = p * p
        p = p * p
        gain[i] = p * p


@njit(cache=True, nogil=True)
def mean_of(gain: Floats) -> float:
    """Mean of the values; four sums side by side, so that they need not wait for each other."""
    a, b, c, d = 0.0, 0.0, 0.0, 0.0
    whole = gain.size // 4 * 4
    for i in range(0, whole, 4):
        a += gain[i]
        b += gain[i + 1]
        c += gain[i + 2]
        d += gain[i + 3]
    for i in range(whole, gain.size):
        a += gain[i]
    return (a + b + c + d) / gain.size


@njit(cache=True, nogil=True)
def largest_of(bits: npt.NDArray[np.int32]) -> np.int32:
    """Largest of float32 values >= 0, as bit patterns: those order alike, and integers are compared eight at once."""
    largest = np.int32(0)
    for i in range(bits.size):
        largest = max(largest, bits[i])
    return largest


@njit(cache=True, nogil=True)
def apply_reduction(
    flat: Floats,
    channels: int,
    reduction: Floats,
    reduction_bits: npt.NDArray[np.int32],
    other: Floats,
    other_bits: npt.NDArray[np.int32],
    room: Floats,
    begun: npt.NDArray[np.int32],
    output: Floats,
    maxima: npt.NDArray[np.int32],
    means: Floats,
) -> int:
    """Fill `output` with the frames turned down, and per block largest reduction, mean gain.

    `flat` holds the frames one after the other. `reduction` is the first channel's; `other` the second's, or of no
    size when there is one for all; `..._bits` are the same numbers as bit patterns (taken out here, they would cost
    two seconds of compiling). `room` keeps two rows of gains of the block begun, which is as long; `begun` is how
    many frames it has and the largest reduction in it. Largest reductions are bit patterns of float32.
    Returns how many blocks were completed.
    """
    start = 0
    completed = 0
    while start < reduction.size:
        have = begun[0]
        count = min(room.shape[1] - have, reduction.size - start)
        first = room[0, have : have + count]
        gain_of(reduction, start, first)
        second = first
        largest = max(begun[1], largest_of(reduction_bits[start : start + count]))
        if other.size > 0:
            second = room[1, have : have + count]
            gain_of(other, start, second)
            largest = max(largest, largest_of(other_bits[start : start + count]))
        if channels == 2:
            for i in range(count):
                output[2 * (start + i)] = flat[2 * (start + i)] * first[i]
                output[2 * (start + i) + 1] = flat[2 * (start + i) + 1] * second[i]
        else:
            for i in range(count):
                output[start + i] = flat[start + i] * first[i]
        start += count
        begun[0] = have + count
        begun[1] = largest
        if begun[0] == room.shape[1]:
            maxima[completed] = largest
            means[completed] = mean_of(room[0])
            if other.size > 0:
                means[completed] = (means[completed] + mean_of(room[1])) / 2.0
            begun[:] = 0
            completed += 1
    return completed
