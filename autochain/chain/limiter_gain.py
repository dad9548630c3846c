"""From what peaks need to the gain of a limiter: held over the look-ahead, released, averaged."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from autochain.audio.cells import CELL_FRAMES
from autochain.chain.limiter_release import first_state
from autochain.chain.settings import StageSettings
from autochain.units import ms_to_samples

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


def gain_line(rate_hz: int, settings: StageSettings) -> LimiterLine:
    """Gain of one channel, or of both, at rest; for cells of CELL_FRAMES."""
    ahead = lookahead_samples(rate_hz, settings)
    attack = attack_samples(rate_hz, settings)
    first = attack // 2 + 1
    return LimiterLine(
        first_length=first,
        second_length=attack + 2 - first,
        needs=np.zeros(ahead + CELL_FRAMES, np.int32),
        reductions=np.zeros(attack + 2 + CELL_FRAMES, np.int32),
        state=first_state(rate_hz, settings),
        sums=np.zeros(3, np.int64),
        total=np.zeros(_AT_ONCE_FRAMES, np.int64),
        longer=np.empty((2, ahead + CELL_FRAMES), np.int32),
    )


def lookahead_samples(rate_hz: int, settings: StageSettings) -> int:
    """Look-ahead L in whole frames."""
    return ms_to_samples(settings["lookahead_ms"], rate_hz)


def attack_samples(rate_hz: int, settings: StageSettings) -> int:
    """Attack A in whole frames, at most the look-ahead."""
    return min(ms_to_samples(settings["attack_ms"], rate_hz), lookahead_samples(rate_hz, settings))
