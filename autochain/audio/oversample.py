"""Up to a multiple of the sample rate and back, and where it can be left out.

Interpolators are windowed sincs whose every `factor`-th tap is zero, so that the original samples pass untouched
and only the points between them are computed. Decimators stop all that could fold.
"""

from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio import _oversample_kernels as kernels
from autochain.audio.mix import Samples

# A bound is kept per block of this many frames: short enough to leave most of a mix out, long enough to cost
# less than what it saves.
BLOCK_FRAMES = 16
# Scratch of the interpolation loops, all phases together: stays in the first-level cache.
PIECE_POINTS = 2048
_BENDS_FRAMES = 1024
# Rounding in the interpolation (80 float32 terms) stays under 1e-5 of a bound.
_WITH_ROUNDING = 1.0 + 1e-5


@dataclass(frozen=True, kw_only=True, eq=False)
class Interpolator:
    """An interpolation filter and what is needed to bound its output.

    Attributes
    ----------
    taps
        Shape (factor - 1, 2 T): row p holds the weights of frames n - T + 1 .. n + T for the point
        n + (p + 1)/factor. Each row sums to 1, so a constant stays a constant.
    factor
        How many points a frame.
    reach
        T, the number of frames used on each side.
    absolute_sum
        Largest sum of |weights| of a row: no point exceeds this times the largest |sample| in reach.
    curvature_sum
        Every row equals a linear interpolation between the two neighbours plus weights on the second
        differences of the signal; this is the largest sum of the latter's magnitudes.
    """

    taps: npt.NDArray[np.float64]
    factor: int
    reach: int
    absolute_sum: float
    curvature_sum: float

    @cached_property
    def mirrored(self) -> npt.NDArray[np.float64]:
        """What the loops take: shape (factor - 1, T).

        The points p/factor and 1 - p/factor between two frames share their taps in reverse order. With the sum s[k] and
        the difference d[k] of the two frames k steps left and right of the interval they are E + O and E - O, where
        E = sum even[k] s[k] and O = sum odd[k] d[k]: a third less to multiply. Rows 2 p - 2 and 2 p - 1 hold even and
        odd of the pair p, the last row even of the point midway.
        """
        return mirrored(self.taps)

    @property
    def piece(self) -> int:
        """Frames that the interpolation loops take at a time."""
        return PIECE_POINTS // self.factor


@cache
def interpolator(factor: int, reach: int, beta: float) -> Interpolator:
    """Design an interpolator from a Kaiser-windowed sinc with its -6 dB point at half the sample rate.

    Parameters
    ----------
    factor
        Points a frame, a multiple of four.
    reach
        Frames used on each side, a multiple of four.
    beta
        Shape of the Kaiser window (J. F. Kaiser 1974): 0.1102 (A - 8.7) for A > 50 dB of stop-band.
    """
    offsets = np.arange(-reach + 1, reach + 1)
    high_rate = np.arange(-factor * reach + 1, factor * reach)
    prototype = np.sinc(high_rate / factor) * np.kaiser(high_rate.size, beta)
    rows = []
    curvature = 0.0
    for phase in range(1, factor):
        row = prototype[phase - factor * offsets + factor * reach - 1]
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
        factor=factor,
        reach=reach,
        absolute_sum=float(np.abs(taps).sum(axis=1).max()),
        curvature_sum=curvature,
    )


@cache
def decimator(factor: int, reach: int, beta: float, corner: float) -> npt.NDArray[np.float64]:
    """Design the low-pass that brings a signal back from `factor` times the rate.

    Parameters
    ----------
    factor
        Points a frame.
    reach
        Frames used on each side.
    beta
        Shape of the Kaiser window, as for `interpolator`.
    corner
        Its -6 dB point as a share of the sample rate.

    Returns
    -------
    numpy.ndarray
        Shape (factor, 2 T): row p holds what the point n + p/factor adds to frames n - T + 1 .. n + T. All sum to 1.
    """
    distance = np.arange(-reach + 1, reach + 1) - np.arange(factor)[:, None] / factor
    # Kaiser's window as a function of the distance, 0 at T and beyond.
    window = np.i0(beta * np.sqrt(np.maximum(0.0, 1.0 - (distance / reach) ** 2)))
    taps = np.sinc(2.0 * corner * distance) * np.where(np.abs(distance) < reach, window, 0.0)
    taps /= taps.sum()
    taps.setflags(write=False)
    return taps


def mirrored(taps: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Even and odd taps of points p/factor between frames n and n + 1, an odd number of points; see `Interpolator`.

    `taps` has shape (factor - 1, 2 T), weights of frames n - T + 1 .. n + T.
    """
    points, half = taps.shape[0], taps.shape[1] // 2
    left, right = taps[:, half - 1 :: -1], taps[:, half:]
    even, odd = 0.5 * (left + right), 0.5 * (left - right)
    pairs = [row for p in range(points // 2) for row in (even[p], odd[p])]
    return np.array([*pairs, even[points // 2]])


def upsample(samples: Samples, filter_: Interpolator) -> Samples:
    """Return the samples at `factor` times the rate, shape (factor frames, channels), silence assumed outside.

    Frame `factor` n of the result is frame n of the input, bit for bit.
    """
    frames, channels = samples.shape
    flat = np.pad(samples, ((filter_.reach, filter_.reach), (0, 0))).reshape(-1)
    up = scratch(filter_, channels, samples.dtype)
    out = np.empty((filter_.factor * frames, channels), samples.dtype)
    kernels.interpolate_all(flat, filter_.reach, filter_.mirrored.astype(samples.dtype), filter_.piece, up, out)
    return out


def scratch(filter_: Interpolator, channels: int, dtype: npt.DTypeLike) -> Samples:
    """Working array of the interpolation loops: the phases of a piece, channels interleaved.

    It has room for two frames more, for kernels that look at the neighbours of a piece.
    """
    return np.empty((filter_.factor, (filter_.piece + 2) * channels), dtype)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """What makes a peak not worth looking at: what is turned down over it anyway.

    That is between two higher samples that are not far from each other, and behind one whose reduction has not gone.

    Attributes
    ----------
    frames
        Both lie, with the peak, within so many frames.
    absolute_sum, straight_sum, curvature_sum
        No peak that is looked for exceeds the first times the largest |sample| in reach, nor the second times the
        larger neighbour plus the third times the largest |second difference| in reach.
    over
        What every sample is turned down to.
    keep
        Share of a reduction that is left a frame later, 0 where that is not known.
    """

    frames: int
    absolute_sum: float
    straight_sum: float
    curvature_sum: float
    over: float
    keep: float


class Watch:
    """Finds where the points between samples may exceed a limit, in windows of one length.

    A safe bound, never too low: in every frame n left out, |x| at n and at all points before n + 1 stays at or
    under the limit in every channel. Two bounds hold for any signal, and the smaller one counts: the largest
    |sample| in reach times `absolute_sum`; and the larger neighbour plus the largest |second difference| in
    reach times `curvature_sum`, which is close for the low frequencies that make most of a mix's level.

    With `hidden` frames are left out as well that may exceed the limit but lie between samples that are higher, or
    behind one. Then windows follow each other: the first block looked at is the last one of the window before.
    """

    def __init__(
        self, filter_: Interpolator, frames: int, channels: int, dtype: np.dtype[Any], hidden: Hidden | None = None
    ) -> None:
        if frames % BLOCK_FRAMES:
            raise ValueError(f"a window of {frames} frames; it must be a multiple of {BLOCK_FRAMES}")
        blocks = frames // BLOCK_FRAMES
        integer = np.dtype(np.int32) if dtype.itemsize == 4 else np.dtype(np.int64)
        bend, (level, curve) = np.zeros(_BENDS_FRAMES * channels, dtype), np.zeros((2, blocks), dtype)
        self._integer = integer
        tops, over, keep = (0.0, 0.0, 0.0), 0.0, 0.0
        if hidden is not None:
            tops = hidden.absolute_sum, hidden.straight_sum, hidden.curvature_sum
            over, keep = hidden.over, hidden.keep**BLOCK_FRAMES
        self._runs = np.empty((2, blocks // 2 + 1), np.int64)
        # A plain tuple: numba keeps the types of what a loop takes beside the compiled code, and could not read that
        # again after a class of ours had another name.
        self._bounds = (
            BLOCK_FRAMES,
            -(-(filter_.reach + 1) // BLOCK_FRAMES),
            filter_.absolute_sum,
            filter_.curvature_sum,
            0 if hidden is None else max(0, hidden.frames // BLOCK_FRAMES - 1),
            *(top * _WITH_ROUNDING for top in tops),
            over, keep, np.zeros(1),
            integer.type(np.iinfo(integer).max),  # all but the sign bit
            bend, bend.view(integer), level, level.view(integer), curve, curve.view(integer),
            self._runs[0], self._runs[1],
        )  # fmt: skip

    def runs(
        self, window: Samples, first: int, last: int, limit: float
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """First and past-the-end frames of the runs that may exceed `limit`, valid until the next call.

        Parameters
        ----------
        window
            Shape (frames, channels), C-contiguous.
        first, last
            Frames looked at, multiples of BLOCK_FRAMES with `margin` frames of window on each side.
        limit
            Linear.
        """
        flat = window.reshape(-1)
        limit /= _WITH_ROUNDING
        count = kernels.watch(flat, flat.view(self._integer), window.shape[1], first, last, limit, self._bounds)
        return self._runs[0, :count], self._runs[1, :count]


def margin(filter_: Interpolator) -> int:
    """Frames that `Watch.runs` needs around what it looks at: the reach, in blocks, and one block more."""
    return BLOCK_FRAMES * (-(-(filter_.reach + 1) // BLOCK_FRAMES) + 1)
