"""Loops of the crest measures; the caller allocates, state and sums are float64."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

# Keeps filter states out of the slow subnormal range during silence; -600 dBFS changes no reading.
_TINY = 1e-30

STRETCHES = 8  # stretches filtered side by side
ROWS = 32  # samples of each at a time: all scratch of a crossover stays in the first-level cache


@njit(cache=True, nogil=True)
def window_levels(
    samples: npt.NDArray[np.floating[Any]],
    starts: npt.NDArray[np.int64],
    length: int,
    peak: npt.NDArray[np.float64],
    power: npt.NDArray[np.float64],
) -> None:
    """Fill peak and mean square, shape (windows, channels), of windows of `length` frames at `starts`."""
    quarter = length // 4
    for w in range(starts.size):
        for c in range(samples.shape[1]):
            top0 = top1 = top2 = top3 = 0.0
            sum0 = sum1 = sum2 = sum3 = 0.0
            at = starts[w]
            for _ in range(quarter):  # four chains of sums: a single one waits for every addition
                x0 = abs(np.float64(samples[at, c]))
                x1 = abs(np.float64(samples[at + 1, c]))
                x2 = abs(np.float64(samples[at + 2, c]))
                x3 = abs(np.float64(samples[at + 3, c]))
                sum0 += x0 * x0
                sum1 += x1 * x1
                sum2 += x2 * x2
                sum3 += x3 * x3
                top0 = x0 if x0 > top0 else top0
                top1 = x1 if x1 > top1 else top1
                top2 = x2 if x2 > top2 else top2
                top3 = x3 if x3 > top3 else top3
                at += 4
            for i in range(at, starts[w] + length):
                x = abs(np.float64(samples[i, c]))
                sum0 += x * x
                top0 = max(top0, x)
            peak[w, c] = max(max(top0, top1), max(top2, top3))
            power[w, c] = ((sum0 + sum1) + (sum2 + sum3)) / length


@njit(cache=True, nogil=True)
def band_levels(
    samples: npt.NDArray[np.floating[Any]],
    length: int,
    warm_up: int,
    crossovers: npt.NDArray[np.float64],
    state: npt.NDArray[np.float64],
    levels: npt.NDArray[np.float64],
    rest: npt.NDArray[np.float64],
    peak: npt.NDArray[np.float64],
    power: npt.NDArray[np.float64],
) -> None:
    """Fill peak and mean square, shape (windows, bands), of the mid split at the crossovers, lowest first.

    A row of `crossovers` is (gain, a1, a2) of the Butterworth low-pass
    gain * (1 + 2/z + 1/z^2) / (1 + a1/z + a2/z^2). Low-pass twice is the low branch; the all-pass with the same
    poles minus the low branch is the high branch, which feeds the next crossover.

    The sound is cut into LANES stretches of equal length that are filtered side by side, sample by sample: a
    recursion waits for its own last two results, which now lie LANES and 2 LANES back, so that the loops can be
    vectorised. Each stretch begins `warm_up` windows early; what its filters would still remember is gone by then.

    Scratch: `rest` ROWS * LANES, `state` (2, bands - 1, (ROWS + 2) * LANES), `levels` (2, bands, (ROWS + 1) * LANES).
    """
    bands = crossovers.shape[0] + 1
    windows = peak.shape[0]
    stretch = (windows + STRETCHES - 1) // STRETCHES
    state[:] = 0.0
    for w in range(-warm_up, stretch):
        levels[:] = 0.0
        for first in range(0, length, ROWS):
            count = min(ROWS, length - first) * STRETCHES
            for lane in range(STRETCHES):
                window = lane * stretch + w
                _load_mid(samples, window * length + first, 0 <= window < windows, lane, count, rest)
            for k in range(bands - 1):
                _split(crossovers[k], count, state[0, k], state[1, k], levels[0, k], levels[1, k], rest)
            _add_levels(rest, count, levels[0, bands - 1], levels[1, bands - 1])
        if w >= 0:
            for lane in range(STRETCHES):
                window = lane * stretch + w
                if window < windows:
                    for k in range(bands):
                        power[window, k] = levels[0, k, lane] / length
                        peak[window, k] = levels[1, k, lane]


@njit(cache=True, nogil=True)
def _load_mid(
    samples: npt.NDArray[np.floating[Any]],
    start: int,
    inside: bool,
    lane: int,
    count: int,
    out: npt.NDArray[np.float64],
) -> None:
    """Mean of the channels from frame `start` on into every LANES-th element of out; zeros outside the sound."""
    rows = count // STRETCHES
    if not inside:
        for i in range(rows):
            out[i * STRETCHES + lane] = 0.0
    elif samples.shape[1] == 2:
        for i in range(rows):
            out[i * STRETCHES + lane] = 0.5 * (np.float64(samples[start + i, 0]) + np.float64(samples[start + i, 1]))
    else:
        for i in range(rows):
            out[i * STRETCHES + lane] = np.float64(samples[start + i, 0])


# Lets a product and a sum be one step, rounded once; no sum is reordered.
@njit(cache=True, nogil=True, fastmath={"contract"})
def _split(
    crossover: npt.NDArray[np.float64],
    count: int,
    once: npt.NDArray[np.float64],
    twice: npt.NDArray[np.float64],
    total: npt.NDArray[np.float64],
    top: npt.NDArray[np.float64],
    rest: npt.NDArray[np.float64],
) -> None:
    """Take the low branch out of `rest`, which then holds the high branch, and add up the low one's levels.

    `once` and `twice` hold the recursions of the low-pass applied once and twice, without its numerator's gain,
    each behind its last two rows.
    """
    gain = crossover[0] * crossover[0]
    a1 = crossover[1]
    a2 = crossover[2]
    for i in range(count):
        u2 = once[i]
        u1 = once[i + STRETCHES]
        u0 = ((rest[i] + _TINY) - a2 * u2) - a1 * u1
        once[i + 2 * STRETCHES] = u0
        v2 = twice[i]
        v1 = twice[i + STRETCHES]
        v0 = ((u0 + 2.0 * u1 + u2) - a2 * v2) - a1 * v1
        twice[i + 2 * STRETCHES] = v0
        low = gain * (v0 + 2.0 * v1 + v2)
        rest[i] = ((a2 * u0 + a1 * u1) + u2) - low
        total[i + STRETCHES] = total[i] + low * low
        a = abs(low)
        top[i + STRETCHES] = a if a > top[i] else top[i]
    for i in range(2 * STRETCHES):
        once[i] = once[count + i]
        twice[i] = twice[count + i]
    for i in range(STRETCHES):
        total[i] = total[count + i]
        top[i] = top[count + i]


@njit(cache=True, nogil=True)
def _add_levels(
    sound: npt.NDArray[np.float64], count: int, total: npt.NDArray[np.float64], top: npt.NDArray[np.float64]
) -> None:
    """Add squares to, and find maxima above, those of every lane; both sit in the first LANES elements."""
    for i in range(count):
        total[i + STRETCHES] = total[i] + sound[i] * sound[i]
        a = abs(sound[i])
        top[i + STRETCHES] = a if a > top[i] else top[i]
    for i in range(STRETCHES):
        total[i] = total[count + i]
        top[i] = top[count + i]
