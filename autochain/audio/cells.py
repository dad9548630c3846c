"""A stream cut into cells on a grid that starts with it, each seen with its surroundings.

Whatever blocks a stream comes in, the cells are the same, and so is all that is computed from them, to the bit.
"""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples

# Long enough that calls cost little, short enough that a cell, its output and some scratch stay in the
# second-level cache.
CELL_FRAMES = 16384

# (window, output, low, high): fill all of `output`, one cell long; frames low .. high of it will be used.
Work = Callable[[Samples, Samples, int, int], None]


class Cells:
    """Cut a stream into windows, pass them to a function and join what it returns.

    Window k holds frames k CELL - before .. (k + 1) CELL + after of the stream, silence outside it, and is
    answered by frames k CELL - delay .. of the output, one cell of them. A window that lies inside one block is
    a view of it: it must not be written to or kept.

    Parameters
    ----------
    channels
        Of the stream.
    before, after
        Frames around a cell that its output depends on; `before` includes `delay`.
    delay
        Frames by which output stays behind.
    """

    def __init__(self, channels: int, *, before: int, after: int, delay: int = 0) -> None:
        self._delay = delay
        self._length = before + CELL_FRAMES + after
        self._before = before
        self._given = self._cells = self._used = 0
        self._held: Samples = np.zeros((0, channels), np.float32)
        self._started = False

    def push(self, block: Samples, work: Work) -> Samples:
        """Take the next frames and return the output that is complete."""
        given = self._given + block.shape[0]
        last = (given + self._before - self._length) // CELL_FRAMES + 1
        return self._run(block, given, max(last, self._cells), given, work)

    def finish(self, work: Work) -> Samples:
        """Return the rest of the output, so that as many frames have come out as went in."""
        last = -(-(self._given + self._delay) // CELL_FRAMES) if self._given else self._cells
        missing = max(0, (last - 1) * CELL_FRAMES + self._length - self._before - self._given)
        silence = np.zeros((missing, self._held.shape[1]), self._held.dtype)
        return self._run(silence, self._given + missing, last, self._given, work)

    def _run(self, block: Samples, given: int, last: int, end: int, work: Work) -> Samples:
        if not self._started:
            self._held = np.zeros((self._before, block.shape[1]), block.dtype)
            self._started = True
        stop = min(end, last * CELL_FRAMES - self._delay)
        output = np.empty((max(0, stop - self._used), block.shape[1]), block.dtype)
        done = 0
        for window in self._windows(block, last):
            first = self._cells * CELL_FRAMES - self._delay
            low, high = max(0, -first), max(0, min(CELL_FRAMES, end - first))
            if high - low == CELL_FRAMES:
                work(window, output[done : done + CELL_FRAMES], low, high)
            else:
                whole = np.empty((CELL_FRAMES, block.shape[1]), block.dtype)
                work(window, whole, low, high)
                high = max(low, high)
                output[done : done + high - low] = whole[low:high]
            done += max(0, high - low)
            self._cells += 1
        self._used += done
        # The held frames are those from the next window's first on.
        begin = self._cells * CELL_FRAMES - self._before - (given - block.shape[0])
        self._held = block[begin:].copy() if begin >= 0 else np.concatenate((self._held[begin:], block))
        self._given = given
        return output

    def _windows(self, block: Samples, last: int) -> Iterator[Samples]:
        held = self._held
        start = 0  # of the window, counted from the first held frame
        for _ in range(last - self._cells):
            if start >= held.shape[0]:
                yield block[start - held.shape[0] : start - held.shape[0] + self._length]
            else:
                rest = held[start : start + self._length]
                yield np.concatenate((rest, block[: self._length - rest.shape[0]]))
            start += CELL_FRAMES


def grown(values: npt.NDArray[Any], size: int) -> npt.NDArray[Any]:
    """The values along the last axis with zeros behind, at least `size`; as they are where there are so many."""
    if size <= values.shape[-1]:
        return values
    more = np.zeros((*values.shape[:-1], 2 * size), values.dtype)
    more[..., : values.shape[-1]] = values
    return more
