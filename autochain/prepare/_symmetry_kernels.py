"""Loops of the rotation search."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def window_peaks(
    samples: Floats,
    transformed: Floats,
    counted: npt.NDArray[np.intp],
    window_frames: int,
    floor: float,
    cosines: Floats,
    sines: Floats,
    largest: Floats,
    peaks: Floats,
) -> None:
    """Fill peaks[window, angle] with the largest |cos x - sin H{x}| of a counted window, at least `floor`.

    A rotated sample never exceeds its envelope sqrt(x^2 + H{x}^2), so a sample whose envelope stays under the
    floor is skipped at every angle. `largest` is room for one value per angle.
    """
    angles = cosines.size
    channels = samples.shape[1]
    for row in range(counted.size):
        for k in range(angles):
            largest[k] = floor
        start = counted[row] * window_frames
        for i in range(start, start + window_frames):
            for c in range(channels):
                x = np.float64(samples[i, c])
                h = np.float64(transformed[i, c])
                if x * x + h * h > floor * floor:
                    for k in range(angles):
                        rotated = abs(cosines[k] * x - sines[k] * h)
                        largest[k] = rotated if rotated > largest[k] else largest[k]
        for k in range(angles):
            peaks[row, k] = largest[k]


# Sections side by side. A fixed number, and one array for what one loop reads and writes at fixed distances: only then
# the loop is vectorised.
SIDE_BY_SIDE = 16
_LANES = 2 * SIDE_BY_SIDE


@njit(cache=True, nogil=True)
def all_pass_window_peaks(
    samples: Floats,
    lanes: Floats,
    row_of: npt.NDArray[np.intp],
    window_frames: int,
    floor: float,
    state: Floats,
    peaks: Floats,
) -> None:
    """Fill peaks[window, n, k] with the largest magnitude after n + 1 sections like the k-th, at least `floor`.

    Numerator last, middle, 1; denominator 1, middle, last. A section has to wait for its last sample, so 16 kinds of
    them are filtered at the same time, each for two channels (or twice for the only one): `lanes` holds 32 places for
    the sound, 32 times `last` and 32 times `middle`, those of the second channel behind those of the first. `state`
    begins at 0 and has a row for every section: twice 32 memories, and the 32 largest so far.

    `row_of[w]` is the row of `peaks` for the w-th window of the sound, -1 where it does not count; filtering begins at
    the first frame whatever counts.
    """
    other = samples.shape[1] - 1
    for window in range(row_of.size):
        state[:, 2 * _LANES :] = floor
        for i in range(window * window_frames, (window + 1) * window_frames):
            lanes[:SIDE_BY_SIDE] = samples[i, 0]
            lanes[SIDE_BY_SIDE:_LANES] = samples[i, other]
            for n in range(state.shape[0]):
                own = state[n]
                for k in range(_LANES):
                    x = lanes[k]
                    y = lanes[_LANES + k] * x + own[k]
                    own[k] = lanes[2 * _LANES + k] * (x - y) + own[_LANES + k]
                    own[_LANES + k] = x - lanes[_LANES + k] * y
                    lanes[k] = y
                    high = abs(y)
                    own[2 * _LANES + k] = high if high > own[2 * _LANES + k] else own[2 * _LANES + k]
        row = row_of[window]
        if row >= 0:
            for n in range(state.shape[0]):
                for k in range(peaks.shape[2]):
                    left, right = state[n, 2 * _LANES + k], state[n, 2 * _LANES + SIDE_BY_SIDE + k]
                    peaks[row, n, k] = max(left, right)
