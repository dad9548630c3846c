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


@njit(cache=True, nogil=True)
def all_pass_window_peaks(
    samples: Floats,
    last: float,
    middle: float,
    row_of: npt.NDArray[np.intp],
    window_frames: int,
    floor: float,
    work: Floats,
    state: Floats,
    peaks: Floats,
) -> None:
    """Fill peaks[window, n] with the largest magnitude after n + 1 equal all-pass sections, at least `floor`.

    Numerator last, middle, 1; denominator 1, middle, last. `row_of[w]` is the row of `peaks` for the w-th window of
    the sound, -1 where it does not count; filtering begins at the first frame whatever counts. `work` is room
    for one window of two channels, `state` for two memories per section and channel, both float64; `state`
    begins at 0. A single channel is filtered twice, which costs nothing beside the waiting.
    """
    other = samples.shape[1] - 1
    for window in range(row_of.size):
        start = window * window_frames
        for i in range(window_frames):
            work[i, 0] = samples[start + i, 0]
            work[i, 1] = samples[start + i, other]
        row = row_of[window]
        for n in range(state.shape[0]):
            s1, s2, u1, u2 = state[n, 0], state[n, 1], state[n, 2], state[n, 3]
            largest = floor
            for i in range(window_frames):
                x = work[i, 0]
                y = last * x + s1
                s1 = middle * (x - y) + s2
                s2 = x - last * y
                w = work[i, 1]
                z = last * w + u1
                u1 = middle * (w - z) + u2
                u2 = w - last * z
                work[i, 0] = y
                work[i, 1] = z
                largest = max(largest, abs(y), abs(z))
            state[n, 0], state[n, 1], state[n, 2], state[n, 3] = s1, s2, u1, u2
            if row >= 0:
                peaks[row, n] = largest
