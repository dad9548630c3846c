"""Abrupt changes of level: all bands move by the same amount, at once, and stay there.

The level of 13 bands is taken every 50 ms; a step is the median over the bands of how much higher their mean level in
dB is over some time after a moment than over the same time before it, its spread the median deviation of the bands.

From levels alone only a step of one channel can be told, and only where both channels have the same sound in them: left
over right then moves by the same amount in all bands, and by the same amount over 0.25 s as over 2 s. A part that
enters, is panned elsewhere or dies away on one side moves some bands, or moves them by and by. Steps of both channels
cannot be told from arrangements in this way, which move all bands alike by up to 5 dB and more: `edits` finds those
within a sample, and asks here only whether the level holds.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from autochain.audio.mix import Samples
from autochain.measure.stream import Pieces

_Doubles = npt.NDArray[np.float64]

_CELLS_PER_S = 20
_CELLS_AT_ONCE = 64
# Steeper than octaves in the bass, where few lines make a level of 50 ms uncertain.
_EDGES_HZ = (60, 120, 200, 300, 450, 650, 900, 1300, 1900, 2700, 4000, 6000, 9000, 14000)
_SKIPPED = 1  # cells on either side of the moment: the windows that straddle it
_LONG, _MIDDLE, _SHORT = 4 * _CELLS_PER_S, 2 * _CELLS_PER_S, _CELLS_PER_S
_AT_ONCE = (_CELLS_PER_S // 4, _CELLS_PER_S // 2, _SHORT, _MIDDLE)
# One against the other, chosen on 15 recordings: steps put in where both channels have one sound differ by 0.3 dB from
# width to width and from band to band, 8 arrangements that came closest by 2 dB and more from width to width.
_SIDE_DB, _SIDE_SPREAD_DB, _SIDE_APART_DB = 2.5, 0.6, 0.75
_FLOOR_DBFS = -70.0  # a band of a part that is under it is at rest, and its first note is no jump
_SOUNDING_DB = 25.0
_APART = 2 * _CELLS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """One abrupt change.

    Attributes
    ----------
    at_s
        Mix time in s, to about 0.1 s.
    step_db
        By how much the level rises (positive) or falls.
    channels
        `both`, or the one that moves.
    within_a_sample
        Whether the waveform itself was seen to go on louder or softer from one sample on; else from levels alone.
    """

    at_s: float
    step_db: float
    channels: str
    within_a_sample: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandLevels:
    """Mean squares of every cell, channel and band, shape (cells, channels, bands), and the length of a cell in s."""

    power: _Doubles
    cell_s: float

    def steps_db(self, at_s: float) -> _Doubles:
        """By how much every channel is louder after a moment than before, over 1, 2 and 4 s, shape (3, channels).

        The median over the bands; over less where an end of the sound comes earlier, and 0 where there is none.
        """
        level = _in_db(self.power)
        first, last = int(np.ceil(at_s / self.cell_s)) + _SKIPPED, int(at_s / self.cell_s) - _SKIPPED
        steps = np.zeros((3, level.shape[1]))
        for row, width in enumerate((_SHORT, _MIDDLE, _LONG)):
            after, before = level[first : first + width], level[max(0, last - width) : max(0, last)]
            if len(after) and len(before):
                steps[row] = np.median(after.mean(axis=0) - before.mean(axis=0), axis=1)
        return steps


class JumpMeter:
    """Keeps the levels of 13 bands every 50 ms; the block size does not change a bit.

    Parameters
    ----------
    rate_hz
        44100 to 192000.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._hop = rate_hz // _CELLS_PER_S
        self._cell_s = self._hop / rate_hz
        half = self._hop // 2
        self._after = self._hop - half
        self._pieces = Pieces(channels, half, _CELLS_AT_ONCE * self._hop, self._after)
        self._window = np.hanning(2 * self._hop + 1)[:-1].astype(np.float32)
        edges = np.asarray(_EDGES_HZ) * 2 * self._hop / rate_hz
        self._edges = np.rint(edges).astype(int)
        self._channels = channels
        self._levels: list[_Doubles] = []

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        for piece in self._pieces.push(block):
            self._levels.append(self._bands(piece))

    def result(self) -> BandLevels:
        """Levels of everything pushed so far."""
        rest = [self._bands(piece)[: max(0, end - self._after) // self._hop] for piece, end in self._pieces.rest()]
        empty = np.empty((0, self._channels, len(_EDGES_HZ) - 1))
        return BandLevels(power=np.concatenate([empty, *self._levels, *rest]), cell_s=self._cell_s)

    def _bands(self, piece: Samples) -> _Doubles:
        """Mean squares of every cell, channel and band, shape (cells, channels, bands)."""
        scale = 2.0 / (2.0 * self._hop * float(np.sum(self._window.astype(np.float64) ** 2)))
        levels = []
        for channel in np.ascontiguousarray(piece.T):  # one after the other: they stay in cache
            rows = np.lib.stride_tricks.sliding_window_view(channel, 2 * self._hop)[:: self._hop]
            spectra = fft.rfft(rows * self._window)[:, : self._edges[-1]]
            power = (spectra.real**2 + spectra.imag**2).astype(np.float64)
            levels.append(scale * np.add.reduceat(power, self._edges[:-1], axis=1))
        return np.stack(levels, axis=1)


def find_jumps(levels: BandLevels) -> tuple[Jump, ...]:
    """Jumps of one channel in the levels alone, in order of time; none for one channel.

    Left over right moves by over 2.5 dB within 2 s around the moment, by the same within 0.75 dB over 1, 0.5 and
    0.25 s, in all bands alike within 0.6 dB. The sound goes on: the seconds right before and after, and 4 s away, are
    less than 25 dB under the mean of the song. The largest within 2 s counts; the first and the last 4 s are not
    looked at.
    """
    power = levels.power
    if len(power) <= 2 * (_LONG + _SKIPPED) or power.shape[1] != 2:
        return ()
    level = _in_db(power)
    apart = level[:, 0] - level[:, 1]
    whole, _ = _steps(apart, _MIDDLE)
    size = np.where(_sounding(power.sum(axis=(1, 2))), np.abs(whole), 0.0)
    for width in _AT_ONCE:
        step, spread = _steps(apart, width)
        size = np.where((np.abs(step - whole) < _SIDE_APART_DB) & (spread < _SIDE_SPREAD_DB), size, 0.0)
    own = [np.abs(_steps(level[:, channel], _SHORT)[0]) for channel in (0, 1)]
    jumps = []
    for at in sorted(_peaks(size, _SIDE_DB)):
        left = own[0][at] >= own[1][at]
        jumps.append(
            Jump(
                at_s=(at + _LONG + _SKIPPED) * levels.cell_s,
                step_db=float(whole[at]) * (1.0 if left else -1.0),
                channels="left" if left else "right",
            )
        )
    return tuple(jumps)


def _in_db(power: _Doubles) -> _Doubles:
    return np.asarray(10.0 * np.log10(np.maximum(power, 10.0 ** (_FLOOR_DBFS / 10.0))))


def _sounding(power: _Doubles) -> npt.NDArray[np.bool_]:
    """Whether the sound goes on at every moment that is more than 4 s from both ends, shape (moments,)."""
    seconds = np.convolve(power, np.ones(_SHORT) / _SHORT, mode="valid")
    at = np.arange(_LONG + _SKIPPED, len(power) - _LONG - _SKIPPED)
    least = power.mean() * 10.0 ** (-_SOUNDING_DB / 10.0)
    looked_at = (-_SKIPPED - _LONG, -_SKIPPED - _SHORT, _SKIPPED, _SKIPPED + _LONG - _SHORT)
    return np.asarray(np.all([seconds[at + start] > least for start in looked_at], axis=0))


def _steps(level: _Doubles, width: int) -> tuple[_Doubles, _Doubles]:
    """Step and spread at every moment that is more than 4 s from both ends, shape (moments,)."""
    sums = np.concatenate([np.zeros((1, level.shape[1])), np.cumsum(level, axis=0)])
    at = np.arange(_LONG + _SKIPPED, len(level) - _LONG - _SKIPPED)
    after = sums[at + _SKIPPED + width] - sums[at + _SKIPPED]
    before = sums[at - _SKIPPED] - sums[at - _SKIPPED - width]
    moved = (after - before) / width
    step = np.median(moved, axis=1)
    return step, np.median(np.abs(moved - step[:, None]), axis=1)


def _peaks(size: _Doubles, least: float) -> list[int]:
    """Places of the largest values over a limit, 2 s or more apart."""
    left, chosen = size.copy(), []
    while left.size and left.max() > least:
        at = int(left.argmax())
        chosen.append(at)
        left[max(0, at - _APART) : at + _APART + 1] = 0.0
    return chosen
