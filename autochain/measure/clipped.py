"""Clipped runs: places where a waveform was cut off at one level."""

from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure._clipped_kernels import clipped_runs
from autochain.measure._hop_sums_kernels import hop_extremes
from autochain.measure.loudness import HOP_S, hop_frames
from autochain.measure.stream import WholeUnits

_SHORTEST_RUN = 3
# A rounded top of a low tone holds equal samples too. Of n >= 3 equal ones the next is at most 4 steps lower
# (a parabola c t^2 that stays inside one step over n samples has c <= 4 / (n - 1)^2 steps); so a run counts
# when one of its neighbours is further below than 4 steps of 16 bits.
_LEAST_DROP = 4.0 / 2**15


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippedRuns:
    """Runs of equal samples at a channel's own highest or lowest value.

    Attributes
    ----------
    count
        Number of runs, all channels and both polarities.
    longest
        Samples in the longest one; 0 without any.
    at_s
        Mix times of the 10 ms hops in which runs begin, in s, in order.
    """

    count: int
    longest: int
    at_s: tuple[float, ...]


class ClippedRunMeter:
    """Counts runs of at least three equal consecutive samples at the channel's own highest or lowest value.

    The own extremes, and not full scale, because a mix that was clipped and then turned down is clipped all
    the same; each polarity apart, because integer words reach further down than up. A run counts when one of
    its neighbours is more than 4 steps of 16 bits nearer to zero, which leaves out the rounded tops of
    unclipped low tones. Square waves consist of such runs and cannot be told from clipping; a clipped mix that
    was filtered, resampled or coded with loss afterwards has none left, one that was written with dither keeps a
    small part of them (of 800 clipped tops 33 at 16 bit, 111 at 24), and one sample that reaches further hides the
    rest of its polarity. So the count shows that a mix was clipped; none does not show that it was not.

    The block size does not change the result.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._hop = hop_frames(rate_hz)
        self._channels = channels
        lanes = 2 * channels
        self._pieces = WholeUnits(self._hop)
        self._real = np.zeros((lanes, 4))
        self._whole = np.zeros((lanes, 3), dtype=np.int64)
        self._hops = 0
        # Grown by doubling: a run that ends in this block may have begun in an earlier one.
        self._reach: npt.NDArray[np.float64] = np.zeros((0, lanes))
        self._count: npt.NDArray[np.int32] = np.zeros((0, lanes), dtype=np.int32)
        self._longest: npt.NDArray[np.int32] = np.zeros((0, lanes), dtype=np.int32)

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        for piece in self._pieces.push(block):
            self._take(piece, self._hop)

    def result(self) -> ClippedRuns:
        """Runs in everything pushed so far."""
        return deepcopy(self)._ended()

    def _ended(self) -> ClippedRuns:
        rest = self._pieces.rest()
        if rest.shape[0]:
            self._take(rest, rest.shape[0])
        for lane in np.flatnonzero(self._whole[:, 0] >= _SHORTEST_RUN):  # runs that reach the last frame
            run, begun = self._whole[lane, :2]
            if self._real[lane, 2] > _LEAST_DROP:
                self._count[begun, lane] += 1
                self._longest[begun, lane] = max(self._longest[begun, lane], run)
        reach, count, longest = (a[: self._hops] for a in (self._reach, self._count, self._longest))
        top = reach.max(axis=0, initial=0.0)
        clipped = (reach == top) & (count > 0) & (top > 0.0)
        return ClippedRuns(
            count=int(count[clipped].sum()),
            longest=int(longest[clipped].max(initial=0)),
            at_s=tuple(float(h) for h in np.flatnonzero(clipped.any(axis=1)) * HOP_S),
        )

    def _take(self, piece: Samples, hop: int) -> None:
        hops = piece.shape[0] // hop
        stop = self._hops + hops
        self._reach, self._count, self._longest = (
            _grown(a, stop) for a in (self._reach, self._count, self._longest)
        )
        highest, lowest = np.empty((hops, self._channels)), np.empty((hops, self._channels))
        flat = piece.reshape(-1)
        hop_extremes(flat, self._channels, hop, highest, lowest)
        reach = self._reach[self._hops : stop]
        reach[:, 0::2], reach[:, 1::2] = highest, -lowest
        clipped_runs(
            flat, self._channels, hop, self._hops, reach, _SHORTEST_RUN, _LEAST_DROP,
            self._real, self._whole, self._count, self._longest,
        )  # fmt: skip
        self._hops = stop


def _grown(array: npt.NDArray[Any], rows: int) -> npt.NDArray[Any]:
    """Return the array with room for that many rows, zeros in the new ones."""
    if rows <= array.shape[0]:
        return array
    grown = np.zeros((max(rows, 2 * array.shape[0], 1024), array.shape[1]), dtype=array.dtype)
    grown[: array.shape[0]] = array
    return grown


def find_clipped_runs(samples: Samples, rate_hz: int) -> ClippedRuns:
    """`ClippedRuns` of a whole signal, shape (frames, channels); see `ClippedRunMeter`."""
    meter = ClippedRunMeter(rate_hz, samples.shape[1])
    meter.push(samples)
    return meter.result()
