"""A stream cut into pieces of fixed place and length, whatever the blocks it arrives in.

What is computed from a piece can then not depend on the caller's block size.
"""

from collections.abc import Iterator

import numpy as np

from autochain.audio.mix import Samples


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
