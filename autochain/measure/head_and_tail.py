"""How a mix begins and ends: silence around it, and whether its sound is cut off."""

from dataclasses import dataclass

import numpy as np

from autochain.measure.hop_sums import HopSums
from autochain.measure.loudness import HOP_S
from autochain.units import linear_to_db

SILENCE_UNDER_PEAK_DB = 60.0  # what lies further under the song's peak counts as silence


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadAndTail:
    """Both ends of a file.

    Attributes
    ----------
    head_s, tail_s
        Time before the first and after the last 10 ms whose peak is less than 60 dB under the song's, in s.
    first_dbfs, last_dbfs
        Peak of the first and of the last 10 ms: a sound that was cut off is still loud there.
    """

    head_s: float
    tail_s: float
    first_dbfs: float
    last_dbfs: float


def measure_head_and_tail(sums: HopSums) -> HeadAndTail:
    """Read both ends from the hops; all of a silent file is its head."""
    reach = np.maximum(sums.highest, -sums.lowest).max(axis=1)
    length_s = reach.size * HOP_S
    heard = np.flatnonzero(reach > reach.max(initial=0.0) * 10.0 ** (-SILENCE_UNDER_PEAK_DB / 20.0))
    if not heard.size:
        return HeadAndTail(head_s=length_s, tail_s=0.0, first_dbfs=linear_to_db(0.0), last_dbfs=linear_to_db(0.0))
    return HeadAndTail(
        head_s=float(heard[0]) * HOP_S,
        tail_s=float(reach.size - 1 - heard[-1]) * HOP_S,
        first_dbfs=linear_to_db(float(reach[0])),
        last_dbfs=linear_to_db(float(reach[-2:].max())),
    )
