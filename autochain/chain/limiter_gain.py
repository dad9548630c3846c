"""From what peaks need to the gain of a limiter: held over the look-ahead, released, averaged."""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from autochain.audio.cells import CELL_FRAMES
from autochain.chain import _limiter_kernels as kernels
from autochain.chain.limiter_release import first_state, release_of
from autochain.chain.settings import StageSettings
from autochain.units import db_to_linear, ms_to_samples

_AT_ONCE_FRAMES = 2048

_Integers = npt.NDArray[np.int32]
_Sums = npt.NDArray[np.int64]


class LimiterLine(NamedTuple):
    """Gain of one channel, or of both: state from cell to cell, and scratch; what `turn_down` takes, in this order.

    `needs` has the look-ahead before the cell, `reductions` the length of both averages; `state` is the release's,
    `sums` those of `smooth`. `total` is as long as what is done at a time.
    """

    first_length: int
    second_length: int
    needs: _Integers
    reductions: _Integers
    state: npt.NDArray[np.float64]
    sums: _Sums
    total: _Sums
    longer: _Integers


def gain_line(rate_hz: float, settings: StageSettings, cell: int = CELL_FRAMES) -> LimiterLine:
    """Gain of one channel, or of both, at rest; for cells of so many frames."""
    ahead = lookahead_samples(rate_hz, settings)
    attack = attack_samples(rate_hz, settings)
    first = attack // 2 + 1
    return LimiterLine(
        first_length=first,
        second_length=attack + 2 - first,
        needs=np.zeros(ahead + cell, np.int32),
        reductions=np.zeros(attack + 2 + cell, np.int32),
        state=first_state(rate_hz, settings),
        sums=np.zeros(3, np.int64),
        total=np.zeros(_AT_ONCE_FRAMES, np.int64),
        longer=np.empty((2, ahead + cell), np.int32),
    )


class GainForPeaks:
    """Gain of a sound whose true peak at every frame is known, one for all channels; in pieces, which change no bit.

    Parameters
    ----------
    rate_hz
        Need not be one of sound: at a few thousand frames a second the gain is what it is at the full rate, in steps.
    settings
        Of a limiter, complete.
    """

    def __init__(self, rate_hz: float, settings: StageSettings) -> None:
        self.ahead = lookahead_samples(rate_hz, settings)
        self._ceiling = db_to_linear(settings["ceiling_dbtp"])
        self._release = tuple(release_of(rate_hz, settings))
        self._line = gain_line(rate_hz, settings, 0)
        self._early = self.ahead  # frames of gain still to come that lie before the first peak

    def push(self, peaks: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.float32]:
        """Take the next peaks; return the gains that are ready, `ahead` frames fewer in all."""
        over = np.flatnonzero(peaks > self._ceiling)
        fresh, rest = np.zeros(peaks.size, np.int32), np.zeros(peaks.size, np.int32)
        fresh[over] = kernels.UNIT * (1.0 - self._ceiling / peaks[over])
        kept, ahead = self._line, self.ahead
        line = kept._replace(
            needs=np.concatenate((kept.needs, rest)),
            reductions=np.concatenate((kept.reductions, rest)),
            longer=np.empty((2, ahead + peaks.size), np.int32),
        )
        gain, none = np.empty(peaks.size, np.float32), np.zeros(1, np.int64)
        kernels.turn_down(
            np.ones(peaks.size, np.float32), 1, -1, fresh, tuple(line), self._release, gain, (0, 0, 0, 1, none, none)
        )
        # State and sums are the same arrays; of the others what the next piece needs lies in front now.
        kept.needs[:], kept.reductions[:] = line.needs[:ahead], line.reductions[: kept.reductions.size]
        early, self._early = self._early, max(0, self._early - peaks.size)
        return gain[early:]

    def finish(self) -> npt.NDArray[np.float32]:
        """Return the gains that are left: silence follows."""
        return self.push(np.zeros(self.ahead, np.float32))


def gain_for_peaks(
    peaks: npt.NDArray[np.floating[Any]], rate_hz: float, settings: StageSettings
) -> npt.NDArray[np.float32]:
    """Gain at every frame of all of a sound; see `GainForPeaks`."""
    run = GainForPeaks(rate_hz, settings)
    return np.concatenate((run.push(peaks), run.finish()))


def lookahead_samples(rate_hz: float, settings: StageSettings) -> int:
    """Look-ahead L in whole frames."""
    return ms_to_samples(settings["lookahead_ms"], rate_hz)


def attack_samples(rate_hz: float, settings: StageSettings) -> int:
    """Attack A in whole frames, at most the look-ahead."""
    return min(ms_to_samples(settings["attack_ms"], rate_hz), lookahead_samples(rate_hz, settings))
