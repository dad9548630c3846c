"""Fourfold interpolation, and where it can be left out.

The interpolators are fourth-band filters: windowed sincs whose every fourth tap is zero, so that the original
samples pass untouched and only the three quarter points between them are computed.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from autochain.audio import _oversample_kernels as kernels
from autochain.audio.mix import Samples

FACTOR = 4
# A bound is kept per block of this many frames: short enough to leave most of a mix out, long enough to cost
# less than what it saves.
BLOCK_FRAMES = 16
PIECE_FRAMES = 512  # scratch of the interpolation loops: four phases of it stay in the first-level cache


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Interpolator:
    """A fourth-band interpolation filter and what is needed to bound its output.

    Attributes
    ----------
    taps
        Shape (3, 2 T): row p holds the weights of frames n - T + 1 .. n + T for the point n + (p + 1)/4. Each
        row sums to 1, so a constant stays a constant.
    reach
        T, the number of frames used on each side.
    absolute_sum
        Largest sum of |weights| of a row: no point exceeds this times the largest |sample| in reach.
    curvature_sum
        Every row equals a linear interpolation between the two neighbours plus weights on the second
        differences of the signal; this is the largest sum of the latter's magnitudes.
    """

    taps: npt.NDArray[np.float64]
    reach: int
    absolute_sum: float
    curvature_sum: float


@cache
def fourth_band(reach: int, beta: float) -> Interpolator:
    """Design an interpolator from a Kaiser-windowed sinc with its -6 dB point at half the sample rate.

    Parameters
    ----------
    reach
        Frames used on each side, even.
    beta
        Shape of the Kaiser window (J. F. Kaiser 1974): 0.1102 (A - 8.7) for A > 50 dB of stop-band.
    """
    offsets = np.arange(-reach + 1, reach + 1)
    high_rate = np.arange(-FACTOR * reach + 1, FACTOR * reach)
    prototype = np.sinc(high_rate / FACTOR) * np.kaiser(high_rate.size, beta)
    rows = []
    curvature = 0.0
    for phase in range(1, FACTOR):
        row = prototype[phase - FACTOR * offsets + FACTOR * reach - 1]
        row = row / row.sum()
        rows.append(row)
        # Remove the straight line that has the row's own mean and first moment: what is left annihilates
        # every straight line, so it is a combination of second differences, its double cumulative sum.
        rest = row.copy()
        rest[reach - 1] -= 1.0 - row @ offsets
        rest[reach] -= row @ offsets
        curvature = max(curvature, float(np.abs(np.cumsum(np.cumsum(rest))).sum()))
    taps = np.ascontiguousarray(rows)
    taps.setflags(write=False)
    return Interpolator(
        taps=taps,
        reach=reach,
        absolute_sum=float(np.abs(taps).sum(axis=1).max()),
        curvature_sum=curvature,
    )


def upsample(samples: Samples, interpolator: Interpolator) -> Samples:
    """Return the samples at four times the rate, shape (4 frames, channels), silence assumed outside.

    Frame 4 n of the result is frame n of the input, bit for bit.
    """
    taps = interpolator.taps.astype(samples.dtype)
    line, up = scratch(interpolator, samples.dtype)
    out = np.empty((FACTOR * samples.shape[0], samples.shape[1]), samples.dtype)
    kernels.interpolate_all(samples, taps, PIECE_FRAMES, line, up, out)
    return out


def scratch(interpolator: Interpolator, dtype: npt.DTypeLike) -> tuple[Samples, Samples]:
    """Two working arrays for the interpolation loops: the padded line and the four phases.

    They have room for two frames more than a piece, for kernels that look at the neighbours of a piece.
    """
    line: Samples = np.empty(PIECE_FRAMES + 2 + 2 * interpolator.reach, dtype)
    up: Samples = np.empty((FACTOR, PIECE_FRAMES + 2), dtype)
    return line, up


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockLevels:
    """What bounds the interpolated signal, per block of BLOCK_FRAMES frames, over all channels.

    Attributes
    ----------
    level
        Largest |sample|, shape (blocks,).
    curve
        Largest |second difference|, the step into and out of the signal counted in, shape (blocks,).
    frames
        Length of the signal the blocks stand for.
    """

    level: Samples
    curve: Samples
    frames: int


def block_levels(samples: Samples) -> BlockLevels:
    """Measure what `runs_above` needs. Scaling the samples scales both values."""
    frames, channels = samples.shape
    dtype = samples.dtype
    integer = np.dtype(np.int32) if dtype.itemsize == 4 else np.dtype(np.int64)
    mask = integer.type(np.iinfo(integer).max)  # all but the sign bit
    blocks = -(-frames // BLOCK_FRAMES)
    level, curve = np.zeros(blocks, dtype), np.zeros(blocks, dtype)
    if frames:
        flat = samples.reshape(-1)
        bend = np.empty(BLOCK_FRAMES * channels, dtype)
        # Second differences at both ends and just outside, where silence surrounds the signal.
        padded = np.zeros((4, channels), dtype)
        padded[2 : 2 + min(2, frames)] = samples[:2]
        curve[0] = np.abs(np.diff(padded, 2, axis=0)).max()
        padded[2 : 2 + min(2, frames)] = samples[-1:-3:-1]
        curve[-1] = max(curve[-1], np.abs(np.diff(padded, 2, axis=0)).max())
        kernels.block_levels(
            flat, flat.view(integer), bend, bend.view(integer), mask, channels, BLOCK_FRAMES,
            level.view(integer), curve.view(integer),
        )  # fmt: skip
    return BlockLevels(level=level, curve=curve, frames=frames)


def runs_above(
    levels: BlockLevels, limit: float, interpolator: Interpolator
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First and past-the-end frames of the runs in which a sample or quarter point may exceed `limit`.

    A safe bound, never too low: in every frame n left out, |x| at n, n + 1/4, n + 1/2 and n + 3/4 stays at or
    under `limit` in every channel. Two bounds hold for any signal, and the smaller one counts: the largest
    |sample| in reach times `absolute_sum`; and the larger neighbour plus the largest |second difference| in
    reach times `curvature_sum`, which is close for the low frequencies that make most of a mix's level.
    """
    radius = -(-(interpolator.reach + 1) // BLOCK_FRAMES)
    next_level = np.append(levels.level[1:], 0.0)
    near = np.maximum(levels.level, next_level)
    bound = np.minimum(
        _widened(levels.level, radius) * interpolator.absolute_sum,
        near + _widened(levels.curve, radius) * interpolator.curvature_sum,
    )
    # Rounding in the interpolation (80 float32 terms) stays under 1e-5 of the bound.
    above = np.concatenate(([False], bound > limit * (1.0 - 1e-5), [False]))
    edges = np.flatnonzero(above[1:] != above[:-1])
    starts = edges[0::2] * BLOCK_FRAMES
    stops = np.minimum(edges[1::2] * BLOCK_FRAMES, levels.frames)
    return starts.astype(np.int64), stops.astype(np.int64)


def _widened(values: Samples, radius: int) -> Samples:
    """Maximum over `radius` blocks on each side."""
    widest = values.copy()
    for shift in range(1, radius + 1):
        np.maximum(widest[shift:], values[:-shift], out=widest[shift:])
        np.maximum(widest[:-shift], values[shift:], out=widest[:-shift])
    return widest
