"""Drop-outs: holes in a sound that goes on as it was before."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from autochain.measure.spikes import SpikeCells

_DEPTH_DB = 36.0  # a hole lies this far under the sound on both sides
_EDGE_CELLS = 2  # within which it falls and comes back; a grid of 1 ms cuts an edge in two
_EDGE_DB = 12.0  # and right before and after it the sound is still as loud as this under its own 20 ms
_AROUND_CELLS = 20
_ALIKE_DB = 12.0  # between the sound before and after
_SHORTEST_CELLS = 4  # shorter ones are clicks, and low notes pass through zero as fast
_LONGEST_CELLS = 500
_SOUND_DBFS = -60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropout:
    """One hole.

    Attributes
    ----------
    at_s
        Mix time at which it begins, in s, to 1 ms.
    length_s
        How long it lasts, in s, to 1 ms.
    channels
        `left`, `right` or `both` (always `left` for one channel).
    """

    at_s: float
    length_s: float
    channels: str


def find_dropouts(cells: SpikeCells) -> tuple[Dropout, ...]:
    """Holes in order of time.

    A hole lasts 4 ms to 0.5 s, in one channel or both, at least 36 dB under the peaks of the 20 ms before and after
    it, and begins and ends within 2 ms; the sound on both sides is over -60 dBFS and alike within 12 dB. Notes that
    die away before a rest do not fall so fast; a rest cut in with scissors does, and is found.
    """
    found: list[tuple[int, int, int]] = []
    for channel in range(cells.peak.shape[1]):
        level = 20.0 * np.log10(np.maximum(cells.peak[:, channel], 1e-10)).astype(np.float64)
        found += [(start, stop, channel) for start, stop in _holes(level)]
    joined: list[tuple[int, int, set[int]]] = []
    for start, stop, channel in sorted(found):
        if joined and start < joined[-1][1]:
            last = joined[-1]
            joined[-1] = (last[0], max(last[1], stop), last[2] | {channel})
        else:
            joined.append((start, stop, {channel}))
    return tuple(
        Dropout(
            at_s=cells.time_s(start),
            length_s=(stop - start) * cells.cell / cells.rate_hz,
            channels="both" if len(where) > 1 else "right" if where == {1} else "left",
        )
        for start, stop, where in joined
    )


def _holes(level: npt.NDArray[np.float64]) -> list[tuple[int, int]]:
    """First cell, and cell behind the last, of every hole in one channel."""
    if level.size < 2 * _AROUND_CELLS:
        return []
    # Highest of the 20 cells before each cell.
    before = np.full(level.size, -200.0)
    before[_AROUND_CELLS:] = sliding_window_view(level, _AROUND_CELLS).max(axis=1)[:-1]
    near = np.full(level.size, -200.0)
    for shift in range(1, _EDGE_CELLS + 1):
        near[shift:] = np.maximum(near[shift:], level[:-shift])
    fallen = (before > _SOUND_DBFS) & (level < before - _DEPTH_DB) & (near > before - _EDGE_DB)
    holes: list[tuple[int, int]] = []
    for start in map(int, np.flatnonzero(fallen)):
        if holes and start < holes[-1][1]:
            continue
        top = before[start]
        ahead = level[start : start + _LONGEST_CELLS + 1]
        back = np.flatnonzero(ahead >= top - _DEPTH_DB)
        if not back.size or back[0] < _SHORTEST_CELLS:
            continue
        stop = start + int(back[0])
        after = float(level[stop : stop + _AROUND_CELLS].max())
        edge = float(level[stop : stop + _EDGE_CELLS].max())
        if abs(after - top) <= _ALIKE_DB and edge > after - _EDGE_DB:
            holes.append((start, stop))
    return holes
