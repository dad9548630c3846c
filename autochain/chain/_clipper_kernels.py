"""Loops of the clipper; every array is allocated by the caller. Uses `interpolate`."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from autochain.audio._oversample_kernels import interpolate

Floats = npt.NDArray[np.floating[Any]]
Integers = npt.NDArray[np.integer[Any]]


BY_PARABOLA, BY_TANH, BY_CUBIC = 0, 1, 2  # curves


@njit(cache=True, nogil=True)
def bend(u: float, ceiling: float, half_width: float, curve: int) -> float:
    """Return the static curve at one value: see `clipper.clipping_curve`."""
    a = abs(u)
    if a <= ceiling - half_width:
        return u
    f = ceiling
    if curve == BY_PARABOLA:
        if a < ceiling + half_width:
            f -= (ceiling + half_width - a) ** 2 / (4.0 * half_width)
    elif half_width > 0.0:
        x = (a - ceiling + half_width) / half_width
        if curve == BY_TANH:
            f -= half_width * (1.0 - np.tanh(x))
        elif x < 1.5:
            f -= half_width * (1.0 - x + 4.0 / 27.0 * x**3)
    return f if u > 0.0 else -f


@njit(cache=True, nogil=True)
def clip_runs(
    flat: Floats,
    starts: Integers,
    stops: Integers,
    up_taps: Floats,
    down_taps: Floats,
    ceiling: float,
    half_width: float,
    curve: int,
    up: Floats,
    tops: Floats,
    first: int,
    residual: Floats,
    low: int,
    high: int,
    frame: int,
    hop: int,
    peak: Floats,
    loss: Floats,
) -> None:
    """Fill `residual` with the low-passed difference between the clipped and the given signal.

    `residual`, shape (channels, ...), begins at frame `first` of the interleaved `flat` and must reach as far as the
    low-pass does.
    For frames low .. high, `peak` takes the largest |u| per hop where the curve bends and `loss`, shape
    (channels, hops), the sum of 1 - |f(u)/u| over the points; `frame` is the place of frame 0 in the stream.
    Only frames where the curve bends take part in the low-pass, so it runs from those outwards. The factor is a
    multiple of four. `tops` is scratch as wide as `up`.
    """
    residual[:] = 0.0
    factor, width = down_taps.shape
    knee = ceiling - half_width
    channels = residual.shape[0]
    piece = up.shape[1] // channels - 2
    for r in range(starts.size):
        for begin in range(starts[r], stops[r], piece):
            count = min(piece, stops[r] - begin)
            interpolate(flat, channels, begin, count, up_taps, up)
            highest = tops[: count * channels]
            highest[:] = 0.0
            for p in range(factor):
                points = up[p, : count * channels]
                for i in range(points.size):
                    highest[i] = max(highest[i], abs(points[i]))
            for channel in range(channels):
                for i in range(channel, count * channels, channels):
                    top = highest[i]
                    if top <= knee:
                        continue
                    n = begin + i // channels
                    lost = 0.0
                    # Frame n sits at n - first of `residual`, the first tap T - 1 frames before it.
                    origin = n - first - width // 2 + 1
                    spread = residual[channel, origin : origin + width]
                    for p in range(factor):
                        u = up[p, i]
                        f = bend(u, ceiling, half_width, curve)
                        if f != u:
                            lost += 1.0 - f / u
                        # Rounded to the sample type here, so that the inner loop stays in it.
                        up[p, i] = f - u
                    for p in range(0, factor, 4):  # four at a time: each output is read and written once
                        r0, r1, r2, r3 = up[p, i], up[p + 1, i], up[p + 2, i], up[p + 3, i]
                        d0, d1, d2, d3 = down_taps[p], down_taps[p + 1], down_taps[p + 2], down_taps[p + 3]
                        for k in range(width):
                            spread[k] += r0 * d0[k] + r1 * d1[k] + r2 * d2[k] + r3 * d3[k]
                    if low <= n < high:
                        block = (frame + n) // hop
                        peak[block] = max(peak[block], top)
                        loss[channel, block] += lost


@njit(cache=True, nogil=True)
def add_residual(x: Floats, before: int, residual: Floats, skip: int, y: Floats) -> None:
    """Fill y with the frames of x from `before` on and what `residual` has for them, from `skip` on."""
    frames, channels = y.shape
    for channel in range(channels):
        rest = residual[channel, skip : skip + frames]
        for n in range(frames):
            y[n, channel] = x[before + n, channel]
            # Adding zero would turn -0.0 into 0.0.
            if rest[n] != 0.0:
                y[n, channel] += rest[n]
