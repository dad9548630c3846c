"""The last frames of a stream, for processors whose gain moves before the sound does."""

from collections.abc import Iterator

import numpy as np

from autochain.audio.mix import Samples


class DelayLine:
    """Keeps frames until their gain is known, without copying those that need not wait."""

    def __init__(self) -> None:
        self._held: Samples | None = None

    @property
    def frames(self) -> int:
        """How many frames are held."""
        return 0 if self._held is None else int(self._held.shape[0])

    def span(self, block: Samples, start: int, stop: int) -> Iterator[Samples]:
        """Give frames start to stop, counted from the first of `block`: negative ones are held; in up to two parts."""
        if start < 0 and self._held is not None and min(stop, 0) > start:
            yield self._held[self.frames + start : self.frames + min(stop, 0)]
        if stop > max(start, 0):
            yield block[max(start, 0) : stop]

    def keep(self, block: Samples, count: int) -> None:
        """Hold the last `count` frames of what is held and `block` behind it."""
        if count == 0:
            self._held = None
        elif count <= block.shape[0]:
            self._held = block[block.shape[0] - count :].copy()
        else:
            self._held = np.concatenate([*self.span(block, block.shape[0] - count, 0), block])
