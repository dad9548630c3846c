"""Integrated loudness of very much material in little memory: a count of gating blocks by level.

BS.1770-5 Annex 1 asks for the mean of all blocks before the second gate is known, so that the blocks have to be kept.
Here they are kept as counts in steps of 0.001 LU: each block is off by half a step at most, and so is what is read
from them. Counts are whole numbers, so the order in which material comes changes nothing.
"""

from collections.abc import Sequence

import numpy as np

from autochain.measure.loudness import ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU, Series, lufs_to_power, power_to_lufs

_STEP_LU = 0.001
_HIGHEST_LUFS = 30.0


def gating_block_levels(powers: Series) -> list[int]:
    """Levels of gating blocks in thousandths of a LU over -70 LUFS; what is not above that is left out."""
    heard = powers[powers > lufs_to_power(ABSOLUTE_GATE_LUFS)]
    steps = np.rint((power_to_lufs(heard) - ABSOLUTE_GATE_LUFS) / _STEP_LU)
    return [int(step) for step in np.minimum(steps, _steps() - 1)]


def _steps() -> int:
    return round((_HIGHEST_LUFS - ABSOLUTE_GATE_LUFS) / _STEP_LU)


class LoudnessHistogram:
    """Loudness of all that was pushed; 0.8 MB, however much that is."""

    def __init__(self) -> None:
        self._counts = np.zeros(_steps(), dtype=np.int64)

    def push(self, levels: Sequence[int]) -> None:
        """Take blocks as `gating_block_levels` gives them; no block straddles two pieces of material."""
        self._counts += np.bincount(np.asarray(levels, dtype=np.int64), minlength=self._counts.size)

    def lufs(self) -> float | None:
        """Integrated loudness; None where no block is above -70 LUFS.

        BS.1770-5 Annex 1, equations 5 to 7.
        """
        (steps,) = np.nonzero(self._counts)
        if steps.size == 0:
            return None
        counts = self._counts[steps]
        powers = 10.0 ** ((ABSOLUTE_GATE_LUFS + _STEP_LU * steps) / 10.0)
        gate = np.average(powers, weights=counts) * 10.0 ** (-RELATIVE_GATE_LU / 10.0)
        kept = powers > gate
        return float(10.0 * np.log10(np.average(powers[kept], weights=counts[kept])))
