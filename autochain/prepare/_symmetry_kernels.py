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
