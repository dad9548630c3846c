"""Loops over 1 ms cells: how far the sound reaches, and what its neighbours on both sides cannot explain."""

import numpy as np
import numpy.typing as npt
from numba import njit

_Doubles = npt.NDArray[np.float64]
_Singles = npt.NDArray[np.float32]
_Places = npt.NDArray[np.int32]

# White noise 90 dB under the signal, so that empty octaves do not make the recursion ill-conditioned, and about the
# rounding of 24-bit words, for near silence.
_FLOOR = 1e-9
_LEAST = 1e-13


# fastmath: sums of products in any order, so that they are taken several at a time; nothing else is allowed.
@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def spikes(
    sound: _Doubles,
    cell: int,
    window: _Doubles,
    work: _Doubles,
    error: _Doubles,
    predictor: _Doubles,
    before: _Doubles,
    peak: _Singles,
    spike: _Singles,
    place: _Places,
) -> None:
    """Fill, for every cell: the largest |x|, the largest spike, and the spike's frame within the cell.

    `sound` is one channel: blocks of `window.size / 2` frames, with half a block of context before the first and
    after the last. Scratch: `work` as long as the window, `error` of a block and `order` frames, `predictor` and
    `before` of order + 1 values.
    """
    order = predictor.size - 1
    size = window.size
    block = size // 2
    cells = block // cell
    for b in range((sound.size - block) // block):
        start = b * block
        for i in range(size):
            work[i] = window[i] * sound[start + i]
        # Levinson-Durbin; `before` first holds the autocorrelation, then the last predictor.
        lag = np.empty(order + 1)
        for k in range(order + 1):
            s = 0.0
            for i in range(size - k):
                s += work[i] * work[i + k]
            lag[k] = s
        lag[0] += _FLOOR * lag[0] + _LEAST * size
        predictor[:] = 0.0
        predictor[0] = 1.0
        left = lag[0]
        for m in range(1, order + 1):
            s = lag[m]
            for k in range(1, m):
                s += predictor[k] * lag[m - k]
            reflection = -s / left
            for k in range(m):
                before[k] = predictor[k]
            for k in range(1, m):
                predictor[k] = before[k] + reflection * before[m - k]
            predictor[m] = reflection
            left *= 1.0 - reflection * reflection
        energy = 0.0
        for k in range(order + 1):
            energy += predictor[k] * predictor[k]
        first = start + block // 2
        for i in range(block + order):
            s = 0.0
            for k in range(order + 1):
                s += predictor[k] * sound[first + i - k]
            error[i] = s
        for c in range(cells):
            top = 0.0
            high = 0.0
            at = 0
            for i in range(c * cell, (c + 1) * cell):
                s = 0.0
                for k in range(order + 1):
                    s += predictor[k] * error[i + k]
                s = abs(s)
                if s > high:
                    high = s
                    at = i - c * cell
                top = max(top, abs(sound[first + i]))
            peak[b * cells + c] = top
            spike[b * cells + c] = high / energy
            place[b * cells + c] = at
