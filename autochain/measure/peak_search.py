"""Where the highest interpolated point of a piece of sound can lie, and the x16 interpolation of it."""

from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from autochain.audio.mix import Samples
from autochain.measure._true_peak_kernels import BLOCK, SCRATCH_BLOCKS, block_bounds, highest_peak
from autochain.measure.interpolators import TruePeakFilter, fine, long_sums, midpoint_spectrum

# The midpoint filter of the x16 reading. Against FFT interpolation of hard-clipped white noise and of tones at
# 0.499 of the rate (40 seeds each) 2048 frames a side err by up to 0.1 dB, 4096 by 0.054, 6144 by 0.03.
_LONG_HALF = 6144
_FFT_FRAMES = 49152
_MARGIN = BLOCK // 2  # frames beside a body whose midpoints the fine filter sees too
_BODY = _FFT_FRAMES - 2 * (_LONG_HALF + _MARGIN)
_BODIES = 2  # per piece; four transforms at once take half the time of four single ones
AROUND_FRAMES = _LONG_HALF + _MARGIN  # of a piece, on each side of its bodies
BODY_FRAMES = _BODIES * _BODY
# Blocks of a piece: as many as have a frame on each side; those of its bodies, with the one before them.
_FIRST_BLOCK = _MARGIN
_BLOCKS = (BODY_FRAMES + 2 * AROUND_FRAMES - 1 - _FIRST_BLOCK) // BLOCK
BODY_BLOCKS = slice(_LONG_HALF // BLOCK - 1, (_LONG_HALF + BODY_FRAMES) // BLOCK)


class BoundedBlocks:
    """Part of an interleaved signal with the block levels that bound every interpolation of it.

    Block b starts at frame first + b BLOCK.
    """

    def __init__(self, flat: npt.NDArray[Any], channels: int, first: int, blocks: int) -> None:
        self._flat, self._channels, self._first = flat, channels, first
        self.level, self.bend = np.empty(blocks), np.empty(blocks)
        block_bounds(flat, channels, first, self.level, self.bend)

    def highest(self, filter_: TruePeakFilter, peak: float, blocks: slice, end: int | None = None) -> float:
        """Linear peak, at least `peak`, of the intervals of all `blocks` but the first, those before `end`."""
        even, odd = filter_.taps(self._flat.dtype)
        stop = self._flat.size if end is None else end
        work = np.empty(SCRATCH_BLOCKS * BLOCK * self._channels, dtype=self._flat.dtype)
        return float(
            highest_peak(
                self._flat, self._channels, self._first + blocks.start * BLOCK, stop, even, odd, filter_.sums,
                self.level[blocks], self.bend[blocks], peak, work,
            )
        )  # fmt: skip


class SixteenTimes:
    """The x16 reading of one piece after the other, with the working arrays it needs."""

    def __init__(self, channels: int, dtype: np.dtype[Any]) -> None:
        rows = _BODIES * channels
        self._filter = midpoint_spectrum(_LONG_HALF, _FFT_FRAMES).astype(np.result_type(dtype, np.complex64))
        self._rows = np.empty((rows, _FFT_FRAMES), dtype=dtype)
        self._midpoints = np.empty((rows, _FFT_FRAMES), dtype=dtype)
        # One frame of silence on each side, where the second difference at the ends would look.
        self._double = np.zeros(2 * (_BODY + 2 * _MARGIN) + 2, dtype=dtype)

    def raised(self, peak: float, line: Samples, levels: BoundedBlocks) -> float:
        """`peak`, or the highest of the piece if that is higher."""
        sums = long_sums(_LONG_HALF)
        count = 0
        for body in range(_BODIES):
            blocks = slice(body * _BODY // BLOCK, (body * _BODY + _FFT_FRAMES) // BLOCK)
            level, bend = levels.level[blocks].max(), levels.bend[blocks].max()
            if min(sums[0] * level, sums[1] * level + sums[2] * bend) > peak:
                for c in range(line.shape[1]):
                    self._rows[count] = line[body * _BODY : body * _BODY + _FFT_FRAMES, c]
                    count += 1
        if count == 0:
            return peak
        rows, midpoints, double = self._rows[:count], self._midpoints[:count], self._double
        spectra = scipy.fft.rfft(rows)  # several rows at once, which numpy cannot
        spectra *= self._filter
        np.fft.irfft(spectra, _FFT_FRAMES, out=midpoints)  # into memory we have, which scipy cannot
        inner = slice(_LONG_HALF, _FFT_FRAMES - _LONG_HALF)
        blocks = slice(0, 2 * _BODY // BLOCK + 1)
        for row, between in zip(rows, midpoints, strict=True):
            double[1:-1:2] = row[inner]
            double[2:-1:2] = between[inner]
            peak = BoundedBlocks(double, 1, 1, blocks.stop).highest(fine(), peak, blocks)
        return peak


def piece_levels(line: Samples) -> BoundedBlocks:
    """BoundedBlocks of a whole piece of `AROUND_FRAMES`, `BODY_FRAMES` and `AROUND_FRAMES`."""
    return BoundedBlocks(line.reshape(-1), line.shape[1], _FIRST_BLOCK, _BLOCKS)
