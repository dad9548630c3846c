"""Loops of the clipper; every array is allocated by the caller. Uses `interpolate_line`."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from autochain.audio._oversample_kernels import interpolate_line

Floats = npt.NDArray[np.floating[Any]]
Integers = npt.NDArray[np.integer[Any]]


@njit(cache=True, nogil=True)
def bend(u: float, ceiling: float, half_width: float) -> float:
    """Return the static curve at one value: see `clipper.curve`."""
    a = abs(u)
    if a <= ceiling - half_width:
        return u
    f = ceiling
    if a < ceiling + half_width:
        f -= (ceiling + half_width - a) ** 2 / (4.0 * half_width)
    return f if u > 0.0 else -f


@njit(cache=True, nogil=True)
def clip_runs(
    x: Floats,
    starts: Integers,
    stops: Integers,
    taps: Floats,
    piece: int,
    ceiling: float,
    half_width: float,
    hop: int,
    line: Floats,
    up: Floats,
    residual: Floats,
    peak: Floats,
    loss: Floats,
) -> None:
    """Add the low-passed difference between the clipped and the given signal to `residual`.

    `residual` has shape (channels, T + frames + T). `peak` takes the largest |u| per hop of frames where the
    curve bends, `loss` the sum of 1 - |f(u)/u| over the quarter points of all channels.
    The low-pass is the interpolator itself (its own mirror image) divided by four; only points where the
    curve bends take part, so it runs from those points outwards.
    """
    width = taps.shape[1]
    knee = ceiling - half_width
    quarter, half, three_quarters = taps[0], taps[1], taps[2]
    for r in range(starts.size):
        for first in range(starts[r], stops[r], piece):
            count = min(piece, stops[r] - first)
            for channel in range(x.shape[1]):
                interpolate_line(x, channel, first, count, taps, line, up)
                out = residual[channel]
                for i in range(count):
                    u0 = up[0, i]
                    u1 = up[1, i]
                    u2 = up[2, i]
                    u3 = up[3, i]
                    top = max(max(abs(u0), abs(u1)), max(abs(u2), abs(u3)))
                    if top <= knee:
                        continue
                    n = first + i
                    f0 = bend(u0, ceiling, half_width)
                    f1 = bend(u1, ceiling, half_width)
                    f2 = bend(u2, ceiling, half_width)
                    f3 = bend(u3, ceiling, half_width)
                    block = n // hop
                    peak[block] = max(peak[block], top)
                    for u, f in ((u0, f0), (u1, f1), (u2, f2), (u3, f3)):
                        if f != u:
                            loss[block] += 1.0 - f / u
                    # Rounded to the sample type here, so that the inner loop stays in it.
                    up[1, i] = 0.25 * (f1 - u1)
                    up[2, i] = 0.25 * (f2 - u2)
                    up[3, i] = 0.25 * (f3 - u3)
                    r1 = up[1, i]
                    r2 = up[2, i]
                    r3 = up[3, i]
                    # Frame n sits T frames into `residual`, the first tap T - 1 frames before it.
                    spread = out[n + 1 : n + 1 + width]
                    for k in range(width):
                        spread[k] += r1 * quarter[k] + r2 * half[k] + r3 * three_quarters[k]
                    out[n + width // 2] += 0.25 * (f0 - u0)


@njit(cache=True, nogil=True)
def add_residual(starts: Integers, stops: Integers, residual: Floats, y: Floats) -> None:
    """Add `residual` to `y` in the reach of each run, every frame once."""
    frames, channels = y.shape
    reach = (residual.shape[1] - frames) // 2
    done = 0
    for r in range(starts.size):
        low = max(done, starts[r] - reach)
        high = min(frames, stops[r] + reach)
        for n in range(low, high):
            for channel in range(channels):
                # Adding zero would turn -0.0 into 0.0.
                if residual[channel, n + reach] != 0.0:
                    y[n, channel] += residual[channel, n + reach]
        done = max(done, high)
