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
# A pulse of four samples, a raised cosine, of which the peak is 1.
_PULSE = (0.3819660112501052, 1.0, 1.0, 0.3819660112501052)


# fastmath: sums of products in any order, so that they are taken several at a time; nothing else is allowed. Slices,
# not offsets in the index: only then the loops are vectorised, which makes them six times as fast.
@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def _correlated(padded: _Doubles, lag: _Doubles) -> None:
    """Fill the autocorrelation at lags from 0 on, five at a time: 5 n of them, and as many zeros end the sound."""
    size = padded.size - lag.size
    first = padded[:size]
    for k in range(0, lag.size, 5):
        x0, x1, x2 = padded[k : k + size], padded[k + 1 : k + 1 + size], padded[k + 2 : k + 2 + size]
        x3, x4 = padded[k + 3 : k + 3 + size], padded[k + 4 : k + 4 + size]
        s0, s1, s2, s3, s4 = 0.0, 0.0, 0.0, 0.0, 0.0
        for i in range(size):
            x = first[i]
            s0 += x * x0[i]
            s1 += x * x1[i]
            s2 += x * x2[i]
            s3 += x * x3[i]
            s4 += x * x4[i]
        lag[k], lag[k + 1], lag[k + 2], lag[k + 3], lag[k + 4] = s0, s1, s2, s3, s4


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def _filtered(sound: _Doubles, start: int, step: int, taps: _Doubles, out: _Doubles) -> None:
    """Fill out[i] with the sum over k of taps[k] sound[start + i + step k], five at a time: 5 n of them."""
    n = out.size
    out[:] = 0.0
    for k in range(0, taps.size, 5):
        t0, t1, t2, t3, t4 = taps[k], taps[k + 1], taps[k + 2], taps[k + 3], taps[k + 4]
        a = start + step * k
        x0, x1, x2 = sound[a : a + n], sound[a + step : a + step + n], sound[a + 2 * step : a + 2 * step + n]
        x3, x4 = sound[a + 3 * step : a + 3 * step + n], sound[a + 4 * step : a + 4 * step + n]
        for i in range(n):
            out[i] += t0 * x0[i] + t1 * x1[i] + t2 * x2[i] + t3 * x3[i] + t4 * x4[i]


@njit(cache=True, nogil=True)
def spikes(
    sound: _Doubles,
    cell: int,
    window: _Doubles,
    work: _Doubles,
    error: _Doubles,
    odd: _Doubles,
    lag: _Doubles,
    predictor: _Doubles,
    before: _Doubles,
    peak: _Singles,
    spike: _Singles,
    place: _Places,
    pulse: _Singles,
    pulse_place: _Places,
) -> None:
    """Fill, for every cell: the largest |x|, the largest spike and its frame within the cell, the same of a pulse.

    `sound` is one channel: blocks of `window.size / 2` frames, with half a block of context before the first and
    after the last. Scratch: `work` as long as the window and, then zero, order + 1 frames; `error` of a block
    and `order + 3` frames; `odd` of a block and 3; `lag`, `predictor` and `before` of order + 1 values, a multiple of
    five.
    """
    order = predictor.size - 1
    size = window.size
    block = size // 2
    cells = block // cell
    for b in range((sound.size - block) // block):
        start = b * block
        for i in range(size):
            work[i] = window[i] * sound[start + i]
        # Levinson-Durbin; `before` holds the last predictor.
        _correlated(work, lag)
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
        wide_energy = 0.0
        for k in range(order + 4):
            s = 0.0
            for j in range(max(0, k - order), min(4, k + 1)):
                s += _PULSE[j] * predictor[k - j]
            wide_energy += s * s
        first = start + block // 2
        _filtered(sound, first, -1, predictor, error)
        _filtered(error, 0, 1, predictor, odd)
        for c in range(cells):
            top = 0.0
            high = 0.0
            at = 0
            wide = 0.0
            wide_at = 0
            for i in range(c * cell, (c + 1) * cell):
                s = abs(_PULSE[0] * (odd[i] + odd[i + 3]) + _PULSE[1] * (odd[i + 1] + odd[i + 2]))
                if s > wide:
                    wide = s
                    wide_at = i - c * cell
                s = abs(odd[i])
                if s > high:
                    high = s
                    at = i - c * cell
                top = max(top, abs(sound[first + i]))
            peak[b * cells + c] = top
            spike[b * cells + c] = high / energy
            place[b * cells + c] = at
            pulse[b * cells + c] = wide / wide_energy
            pulse_place[b * cells + c] = wide_at
