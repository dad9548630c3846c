"""How much of the step at a hit is smeared, whatever its waveform: by energy, not by peak.

A phase rotation lowers peaks on purpose, so that peaks cannot tell whether an attack is still one. Energy can: what an
all-pass brings late is missing just after the hit, what a linear-phase filter brings early lies just before it. With
the mean square of both channels, S(a, b) from a to b ms after a strong onset of the mix,

    R = 10 log10 S(0, 10) - 10 log10 S(-10, 0)
    attack_loss_db = mean over the onsets of max(0, R_mix - R_out)

10 ms are the step of the onset finder (`crest.strong_onsets`).
"""

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure.asymmetry import HOP_HZ, Loud
from autochain.measure.crest import strong_onsets

_STEP_MS = 10.0
_FLOOR = 1e-4  # of the mean: nothing further than 40 dB under the whole makes a step steeper


class AttackReference:
    """The mix's steps at its strong onsets, compared with many outputs.

    Parameters
    ----------
    reference
        The mix, shape (frames, channels).
    rate_hz
        Sample rate.
    loud
        One flag per 10 ms hop; an onset counts where its hop and the one before are flagged.
    """

    def __init__(self, reference: Samples, rate_hz: int, loud: Loud) -> None:
        self._step = round(_STEP_MS * 1e-3 * rate_hz)
        self._floor = _FLOOR * float(np.mean(np.square(reference, dtype=np.float64))) if reference.size else 0.0
        onsets = strong_onsets(reference, rate_hz)
        hops = onsets * HOP_HZ // rate_hz
        known = (hops >= 1) & (hops < loud.size) & (onsets >= self._step)
        onsets, hops = onsets[known], hops[known]
        self._onsets = onsets[loud[hops] & loud[hops - 1]]
        self._rise_db = self._rises_db(reference)

    @property
    def onsets(self) -> int:
        """How many steps are compared."""
        return int(self._onsets.size)

    def loss_db(self, output: Samples) -> float:
        """Mean loss of the step in dB, at least 0; 0 without onsets. `output` is in step with the mix."""
        if not self._onsets.size:
            return 0.0
        return float(np.mean(np.maximum(0.0, self._rise_db - self._rises_db(output))))

    def _rises_db(self, samples: Samples) -> npt.NDArray[np.float64]:
        rises = np.empty(self._onsets.size)
        for row, onset in enumerate(self._onsets):
            before = np.square(samples[onset - self._step : onset], dtype=np.float64).mean() + self._floor
            after = np.square(samples[onset : onset + self._step], dtype=np.float64).mean() + self._floor
            rises[row] = 10.0 * np.log10(after / before) if before > 0.0 else 0.0
        return rises
