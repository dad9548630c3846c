"""Density at the peak: how often a mix reaches its own top, as limited and clipped mixes do all the time."""

import numpy as np

from autochain.measure.asymmetry import HOPS_PER_WINDOW
from autochain.measure.hop_sums import HopSums

_NEAR_DB = 0.5
_LOUD_DB = 10.0  # windows whose rms is further under the highest window's do not count


def peak_density(sums: HopSums) -> float | None:
    """Share (0 to 1) of the loud 50 ms windows whose sample peak lies within 0.5 dB of the song's.

    The peak of a window is the larger of both channels. Few windows of an open mix come that close; a limiter holds
    every hit there.

    Returns
    -------
    None when nothing sounds.
    """
    windows = sums.whole_hops // HOPS_PER_WINDOW
    hops = windows * HOPS_PER_WINDOW
    reach = np.maximum(sums.highest, -sums.lowest).max(axis=1)[:hops].reshape(windows, -1).max(axis=1)
    power = sums.square.sum(axis=1)[:hops].reshape(windows, -1).sum(axis=1)
    if not windows or reach.max() <= 0.0:
        return None
    loud = power >= power.max() * 10.0 ** (-_LOUD_DB / 10.0)
    return float(np.mean(reach[loud] >= reach.max() * 10.0 ** (-_NEAR_DB / 20.0)))
