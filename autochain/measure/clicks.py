"""Clicks and pops: spikes of a sample or a few that belong to nothing before or after them.

What is found here stands out of the 8 ms around it, as the start of many a note or drum does too: `lone_clicks` looks
at the sound itself and keeps what is laid over a sound that goes on, and can be heard.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

from autochain.measure.spikes import SpikeCells
from autochain.units import linear_to_db

# A spike stands out of the 8 ms on either side by this ratio over the second highest there (noise bursts of drums
# do not: of 600 samples of Gaussian noise the second highest has about 3 sigma, so this asks for 10). Of 260 minutes of
# the demo's mixes, two thirds with noise up to half the rate, it finds no click in any; 3.25 finds one, 2.5 four.
_STANDS_OUT = 3.5
_NEAR_CELLS = 8
# Edges of a waveform repeat, down to 30 Hz every 33 ms: a spike with this many others like it within 0.1 s is one.
_REPEATS = 3
_FAR_CELLS = 100
_ALIKE = 0.4
# Spikes further under the peaks of the 0.1 s around them than this are left alone. A pulse of several samples leaves
# only its steepest part in the spike: one of 4 samples 30 dB under the peaks stands 60 to 70 dB under them.
_LEAST_DB = -70.0
_LOCAL_CELLS = 50
_AROUND_CELLS = _FAR_CELLS + _NEAR_CELLS + _LOCAL_CELLS
_CELLS_AT_ONCE = 1 << 18  # four minutes
_END_CELLS = 10  # a sound cut off by an end of the file is not a click
_SILENCE = 1e-5  # -100 dBFS
_TOP = 0.98  # of the highest level: 0.2 dB under it
_TOGETHER_CELLS = 20
_FEWEST_EDGES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Click:
    """One click.

    Attributes
    ----------
    at_s
        Mix time in s, to the sample for a click of one.
    height_db
        Its height over the highest peak within 50 ms on either side, usually negative, estimated for a click of one
        sample; wider ones read far lower.
    channels
        Where it is: `left`, `right` or `both` (always `left` for one channel).
    at_top
        Whether it stands at the highest level of its channel. Several such ones are the edges of clipped peaks.
    over_mask_db
        How far it stands over what the sound around it masks, in dB; None where that was not looked at.
    stands_out
        How many times as high as all that is left near it once it is taken out; None likewise.
    """

    at_s: float
    height_db: float
    channels: str
    at_top: bool
    over_mask_db: float | None = None
    stands_out: float | None = None


def find_clicks(cells: SpikeCells) -> tuple[Click, ...]:
    """Clicks in order of time; spikes within 20 ms of each other are one.

    A click is a spike at least 3.5 times as high as the second highest within 8 ms (its own ms and the two beside it
    left out), with fewer than three others like it within 0.1 s, and not more than 70 dB under the peaks around it; the
    first and last 10 ms of the file do not count. Discontinuities such as bad edits are found with it; the soft thump
    of a microphone is not. Where the sound itself is full of such edges, as unfiltered square waves are, a
    click is one of many and not found.
    """
    return _found(cells, cells.spike, cells.place)


def find_pulses(cells: SpikeCells) -> tuple[Click, ...]:
    """Pulses of three to six samples by the same rules, with their own height; many are the starts of notes."""
    return _found(cells, cells.pulse, cells.pulse_place)


def edges_of_clipping(clicks: Sequence[Click], clipped_runs: int) -> tuple[Click, ...]:
    """Those that are the edges of clipped peaks; one or two at the highest level may be what reaches it."""
    found = tuple(click for click in clicks if click.at_top)
    return found if len(found) >= _FEWEST_EDGES or clipped_runs else ()


def _found(cells: SpikeCells, heights: npt.NDArray[np.float32], places: npt.NDArray[np.int16]) -> tuple[Click, ...]:
    found: list[tuple[int, int, float]] = []
    count = len(heights)
    for channel in range(heights.shape[1]):
        # All that is asked of a cell lies near it; hours at once would take ten times their cells.
        for first in range(0, count, _CELLS_AT_ONCE):
            begin, end = max(0, first - _AROUND_CELLS), min(count, first + _CELLS_AT_ONCE + _AROUND_CELLS)
            spike = np.ascontiguousarray(heights[begin:end, channel])
            local = maximum_filter1d(cells.peak[begin:end, channel], 2 * _LOCAL_CELLS + 1, mode="constant")
            high = (spike > 10.0 ** (_LEAST_DB / 20.0) * local) & (spike > _SILENCE)
            out = _stands_out(spike)
            at = np.arange(begin, end)
            high &= (at >= max(first, _END_CELLS)) & (at < min(first + _CELLS_AT_ONCE, count - _END_CELLS))
            for index in map(int, np.flatnonzero(high & (out > _STANDS_OUT))):
                if not _repeats(spike, out, index):
                    found.append((begin + index, channel, linear_to_db(float(spike[index] / local[index]))))
    return _joined(sorted(found), cells, places)


def _stands_out(spike: npt.NDArray[np.float32]) -> npt.NDArray[np.float64]:
    """Ratio of every spike to the second highest around it."""
    first = np.zeros(spike.size, dtype=np.float32)
    second = np.zeros(spike.size, dtype=np.float32)
    for shift in range(2, _NEAR_CELLS + 1):
        for neighbour in (_shifted(spike, shift), _shifted(spike, -shift)):
            second = np.maximum(second, np.minimum(first, neighbour))
            first = np.maximum(first, neighbour)
    return np.asarray(spike / np.maximum(second, 1e-9, dtype=np.float64))


def _shifted(values: npt.NDArray[np.float32], cells: int) -> npt.NDArray[np.float32]:
    moved = np.zeros_like(values)
    if abs(cells) < values.size:
        if cells > 0:
            moved[cells:] = values[:-cells]
        else:
            moved[:cells] = values[-cells:]
    return moved


def _repeats(spike: npt.NDArray[np.float32], out: npt.NDArray[np.float64], index: int) -> bool:
    start = max(0, index - _FAR_CELLS)
    around = slice(start, index + _FAR_CELLS + 1)
    alike = (out[around] > _STANDS_OUT / 1.5) & (spike[around] > _ALIKE * spike[index])
    alike[max(0, index - start - 1) : index - start + 2] = False
    return int(alike.sum()) >= _REPEATS


def _joined(
    found: list[tuple[int, int, float]], cells: SpikeCells, places: npt.NDArray[np.int16]
) -> tuple[Click, ...]:
    groups: list[list[tuple[int, int, float]]] = []
    for one in found:
        if groups and one[0] - groups[-1][-1][0] <= _TOGETHER_CELLS:
            groups[-1].append(one)
        else:
            groups.append([one])
    clicks = []
    for group in groups:
        index, channel, height_db = max(group, key=lambda one: one[2])
        where = {one[1] for one in group}
        clicks.append(
            Click(
                at_s=(index * cells.cell + int(places[index, channel])) / cells.rate_hz,
                height_db=height_db,
                channels="both" if len(where) > 1 else "right" if where == {1} else "left",
                at_top=bool(cells.peak[index - 1 : index + 2, channel].max() >= _TOP * cells.peak[:, channel].max()),
            )
        )
    return tuple(clicks)
