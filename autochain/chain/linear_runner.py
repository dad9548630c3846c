"""Runners of linear stages, which leave no trace."""

from collections.abc import Callable

import numpy as np

from autochain.audio.centred_filter import CentredFilter
from autochain.audio.mix import Samples
from autochain.audio.sections import SectionFilter


class Prompt:
    """Gives every block back at once, through a function that may keep state.

    Parameters
    ----------
    change
        From a block to a block of the same shape and dtype.
    channels
        Of the stream.
    """

    trace = None

    def __init__(self, change: Callable[[Samples], Samples], channels: int) -> None:
        self._change = change
        self._channels = channels
        self._dtype: np.dtype[np.generic] = np.dtype(np.float32)

    def push(self, block: Samples) -> Samples:
        """Return as many frames as come in."""
        self._dtype = block.dtype
        return self._change(block)

    def finish(self) -> Samples:
        """Nothing is left."""
        return np.empty((0, self._channels), dtype=self._dtype)


class Delayed:
    """Gives the frames of a centred filter."""

    trace = None

    def __init__(self, centred: CentredFilter) -> None:
        self.push, self.finish = centred.push, centred.finish


def unchanged(channels: int) -> Prompt:
    """Stage that is off: the blocks themselves."""
    return Prompt(lambda block: block, channels)


def filtered(sections: SectionFilter, channels: int) -> Prompt:
    """Stage of second-order sections."""
    return Prompt(sections.push, channels)
