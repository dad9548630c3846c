"""From what peaks need to the gain of a limiter: held over the look-ahead, released, averaged."""

import numpy as np
import numpy.typing as npt

from autochain.audio.cells import CELL_FRAMES
from autochain.chain import _limiter_kernels as kernels
from autochain.chain.limiter_release import Release
from autochain.chain.settings import StageSettings
from autochain.units import ms_to_samples

Totals = npt.NDArray[np.int64]


class GainLine:
    """Gain of one channel, or of both: needs held, released and averaged, cell by cell."""

    def __init__(self, rate_hz: int, settings: StageSettings) -> None:
        ahead = lookahead_samples(rate_hz, settings)
        attack = attack_samples(rate_hz, settings)
        first = attack // 2 + 1
        self._boxes = first, attack + 2 - first
        self._before = attack + 2
        self._ahead = ahead
        self.unit = float(kernels.UNIT * self._boxes[0] * self._boxes[1])
        self.needs = np.zeros(ahead + CELL_FRAMES, np.int32)
        self._reductions = np.zeros(self._before + CELL_FRAMES, np.int32)
        self._scratch = np.empty(ahead + 2, np.int32)
        self._sums = np.zeros(3, np.int64)
        self._release = Release(rate_hz, settings)
        self.total: Totals = np.zeros(CELL_FRAMES, np.int64)
        self.at_rest = True

    def run(self, needs: npt.NDArray[np.int32]) -> None:
        """Fill `total`, reduction times `unit`, for the cell of frames that lies the look-ahead before these."""
        self.needs[self._ahead :] = needs
        fresh = self._reductions[self._before :]
        kernels.hold_maximum(self.needs, self._ahead, self._scratch, fresh)
        self._release.run(fresh)
        kernels.smooth(self._reductions, *self._boxes, self._sums, self.total)
        self.needs[: self._ahead] = self.needs[CELL_FRAMES:]
        self._reductions[: self._before] = self._reductions[CELL_FRAMES:]
        self.at_rest = (
            self._release.at_rest
            and not self._sums.any()
            and not self._reductions[: self._before].any()
            and not self.needs[: self._ahead].any()
        )


def lookahead_samples(rate_hz: int, settings: StageSettings) -> int:
    """Look-ahead L in whole frames."""
    return ms_to_samples(settings["lookahead_ms"], rate_hz)


def attack_samples(rate_hz: int, settings: StageSettings) -> int:
    """Attack A in whole frames, at most the look-ahead."""
    return min(ms_to_samples(settings["attack_ms"], rate_hz), lookahead_samples(rate_hz, settings))
