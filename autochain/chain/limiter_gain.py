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


def gain_for_peaks(
    peaks: npt.NDArray[np.floating[Any]], rate_hz: float, settings: StageSettings
) -> npt.NDArray[np.float32]:
    """Gain at every frame of a sound whose true peak at each of them is `peaks`, one for all channels.

    `rate_hz` need not be one of sound: at a few thousand frames a second the gain is what it is at the full rate, in
    steps.
    """
    ceiling, ahead = db_to_linear(settings["ceiling_dbtp"]), lookahead_samples(rate_hz, settings)
    needs = np.zeros(peaks.size + ahead, np.int32)
    over = np.flatnonzero(peaks > ceiling)
    needs[over] = kernels.UNIT * (1.0 - ceiling / peaks[over])
    gain, none = np.empty(needs.size, np.float32), np.zeros(1, np.int64)
    kernels.turn_down(
        np.ones(needs.size, np.float32), 1, -1, needs, tuple(gain_line(rate_hz, settings, needs.size)),
        tuple(release_of(rate_hz, settings)), gain, (0, 0, 0, 1, none, none),
    )  # fmt: skip
    return gain[ahead:]


def lookahead_samples(rate_hz: float, settings: StageSettings) -> int:
    """Look-ahead L in whole frames."""
    return ms_to_samples(settings["lookahead_ms"], rate_hz)


def attack_samples(rate_hz: float, settings: StageSettings) -> int:
    """Attack A in whole frames, at most the look-ahead."""
    return min(ms_to_samples(settings["attack_ms"], rate_hz), lookahead_samples(rate_hz, settings))
