"""One pass over the samples for everything that sums, products and extremes of 10 ms hops can tell.

Offset, balance, correlation, noise floor, asymmetry and local crest are computed from these few numbers, so
that a mix of any length passes through once and none of its samples is kept.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure._hop_sums_kernels import hop_extremes, hop_sums
from autochain.measure.loudness import hop_frames
from autochain.measure.stream import WholeUnits
from autochain.units import linear_to_db

_Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HopSums:
    """What the hops of one signal add up to, full scale 1.0.

    The last row may stand for an incomplete hop, so that sums over all rows are those of the whole signal.

    Attributes
    ----------
    frames
        Length of the signal.
    hop
        Frames of a whole hop.
    total
        Sum of x, shape (hops, channels).
    square
        Sum of x^2, shape (hops, channels).
    product
        Sum of left times right, shape (hops,); of x^2 for one channel.
    highest, lowest
        Largest and smallest sample, shape (hops, channels).
    """

    frames: int
    hop: int
    total: _Doubles
    square: _Doubles
    product: _Doubles
    highest: _Doubles
    lowest: _Doubles

    @property
    def channels(self) -> int:
        """Number of channels, 1 or 2."""
        return int(self.total.shape[1])

    @property
    def whole_hops(self) -> int:
        """Number of complete hops."""
        return self.frames // self.hop


class HopSumMeter:
    """Collects `HopSums` from blocks of any size; the size does not change a bit of the result.

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
        self._pieces = WholeUnits(self._hop)
        self._frames = 0
        self._rows: list[_Doubles] = []

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        self._frames += block.shape[0]
        self._rows += [_rows(piece, self._hop) for piece in self._pieces.push(block)]

    def result(self) -> HopSums:
        """Everything pushed so far."""
        rest = self._pieces.rest()
        last = [_rows(rest, rest.shape[0])] if rest.shape[0] else []
        c = self._channels
        rows = np.concatenate([np.empty((0, 4 * c + 1)), *self._rows, *last])
        self._rows = [rows[: self._frames // self._hop]]  # joined once, not again at every call
        total, square, highest, lowest = (np.ascontiguousarray(rows[:, k * c : k * c + c]) for k in range(4))
        return HopSums(
            frames=self._frames,
            hop=self._hop,
            total=total,
            square=square,
            product=rows[:, 4 * c].copy(),
            highest=highest,
            lowest=lowest,
        )


def measure_hop_sums(samples: Samples, rate_hz: int) -> HopSums:
    """`HopSums` of a whole signal, shape (frames, channels)."""
    meter = HopSumMeter(rate_hz, samples.shape[1])
    for block in in_blocks(samples):
        meter.push(block)
    return meter.result()


def dc_offsets_dbfs(sums: HopSums) -> tuple[float | None, ...]:
    """Level of each channel's mean, |mean| = 1 being 0 dBFS, not below -200; None where it is exactly 0.

    No loudspeaker plays it, and every peak stage pays for it.
    """
    totals = (float(total) for total in sums.total.sum(axis=0))
    return tuple(linear_to_db(abs(total / sums.frames)) if total != 0.0 else None for total in totals)


def _rows(piece: Samples, hop: int) -> _Doubles:
    """One row per hop: total, square, highest, lowest of each channel, then the product."""
    frames, channels = piece.shape
    shape = (frames // hop, channels)
    total, square, highest, lowest = (np.empty(shape) for _ in range(4))
    product = np.empty(shape[0])
    flat = piece.reshape(-1)
    hop_sums(flat, channels, hop, total, square, product)
    hop_extremes(flat, channels, hop, highest, lowest)
    return np.column_stack([total, square, highest, lowest, product])
