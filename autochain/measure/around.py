"""The sound around a few instants, gathered in one pass over a file."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples


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
