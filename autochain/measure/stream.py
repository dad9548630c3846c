"""What measures of a stream share: blocks of any size become pieces on a fixed grid.

A measure that works through pieces of the same frames whatever the blocks were gives the same bits.
"""

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples


class WholeUnits:
    """Cuts a stream of blocks into pieces whose length is a multiple of a unit, without copying whole blocks.

    Parameters
    ----------
    unit_frames
        Length of the unit, at least 1.
    """

    def __init__(self, unit_frames: int) -> None:
        self._unit = unit_frames
        self._kept: list[Samples] = []
        self._kept_frames = 0

    def push(self, block: Samples) -> Iterator[Samples]:
        """Pieces of whole units that the block completes: C-contiguous, in order, never empty.

        A piece may be a view of the block: use it before the next push.

        Parameters
        ----------
        block
            Shape (frames, channels), any number of frames.
        """
        start = 0
        if self._kept_frames:
            start = min(self._unit - self._kept_frames, block.shape[0])
            self._keep(block[:start])
            if self._kept_frames < self._unit:
                return
            yield self.rest()
            self._kept, self._kept_frames = [], 0
        stop = start + (block.shape[0] - start) // self._unit * self._unit
        if stop > start:
            yield np.ascontiguousarray(block[start:stop])
        self._keep(block[stop:])

    def rest(self) -> Samples:
        """Frames behind the last whole unit, fewer than a unit; shape (0, 1) when there are none."""
        if not self._kept:
            return np.empty((0, 1), dtype=np.float32)
        return np.ascontiguousarray(np.concatenate(self._kept))

    def _keep(self, part: Samples) -> None:
        if part.shape[0]:
            self._kept.append(part.copy())  # the caller may use the block's memory again
            self._kept_frames += part.shape[0]


class Pieces:
    """Consecutive bodies of a stream, each with neighbouring frames on both sides.

    A piece is an array of before + body + after frames. Bodies follow each other without gap or overlap;
    frames outside the stream are zero.

    Parameters
    ----------
    channels
        Channels of the stream.
    before, body, after
        Frames of a piece.
    lead
        Zero frames counted as the start of the first body, for filters that ring before their input.
    """

    def __init__(self, channels: int, before: int, body: int, after: int, lead: int = 0) -> None:
        self._channels, self._before, self._body, self._after = channels, before, body, after
        self._filled = before + lead
        self._line: Samples | None = None

    def push(self, block: Samples) -> Iterator[Samples]:
        """Take frames and yield each piece they complete; it is valid until the next one is asked for.

        The type of the first block, float32 or float64, is that of all pieces.
        """
        if self._line is None and block.shape[0]:
            shape = (self._before + self._body + self._after, self._channels)
            self._line = np.zeros(shape, dtype=block.dtype)
        line, taken = self._line, 0
        while line is not None and taken < block.shape[0]:
            count = min(block.shape[0] - taken, line.shape[0] - self._filled)
            line[self._filled : self._filled + count] = block[taken : taken + count]
            self._filled += count
            taken += count
            if self._filled == line.shape[0]:
                yield line
                line[: -self._body] = line[self._body :]
                self._filled -= self._body

    def rest(self) -> Iterator[tuple[Samples, int]]:
        """Yield what `push` has not, up to `after` frames beyond the end, with the end's place in the piece.

        The stream may go on afterwards as if this had not been asked.
        """
        if self._line is None:
            return
        line, end = self._line.copy(), self._filled
        while True:
            line[max(0, end) :] = 0.0
            yield line, end
            if end + self._after <= self._before + self._body:
                return
            line[: -self._body] = line[self._body :]
            end -= self._body


def sound_around(blocks: Iterable[Samples], frames: list[int], reach: int) -> list[npt.NDArray[np.float64]]:
    """The sound `reach` frames on either side of every frame, shape (2 reach, channels), silence beyond the ends."""
    found: list[npt.NDArray[np.float64]] = []
    start = 0
    for block in blocks:
        if not found:
            found = [np.zeros((2 * reach, block.shape[1])) for _ in frames]
        for frame, kept in zip(frames, found, strict=True):
            first, last = max(start, frame - reach), min(start + block.shape[0], frame + reach)
            if first < last:
                kept[first - frame + reach : last - frame + reach] = block[first - start : last - start]
        start += block.shape[0]
    return found
