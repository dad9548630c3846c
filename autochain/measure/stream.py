"""What measures of a stream share: blocks of any size become pieces on a fixed grid.

A measure that works through pieces of the same frames whatever the blocks were gives the same bits.
"""

from collections.abc import Iterator

import numpy as np

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
