"""How far the peaks stand above the loudness: over the whole mix (PLR), over 3 s windows (PSR); and how dense they are.

Sources: EBU Tech 3343 (PLR); Shepherd, Kerr, Grimm, Tapper, Kahsnitz, "Measuring Micro-Dynamics - A First
Step: Standardizing PSR", AES 143rd Convention e-Brief (2017), from its abstract: the details of the peak hold
are ours.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

from autochain.measure.asymmetry import HOPS_PER_WINDOW
from autochain.measure.hop_sums import HopSums
from autochain.measure.loudness import (
    ABSOLUTE_GATE_LUFS,
    SHORT_TERM_HOPS,
    Series,
    centre_s,
    integrated_lufs,
    short_term_lufs,
)

# Quieter windows (fades, breaks) would otherwise set the figures; the gate of Tech 3342, relative to the
# integrated loudness.
_RELATIVE_GATE_LU = 20.0
_NEAR_DB = 0.5
_LOUD_DB = 10.0  # windows whose rms is further under the highest window's do not count


@dataclass(frozen=True, slots=True, kw_only=True)
class PsrSeries:
    """Peak to short-term loudness of the windows that count.

    Attributes
    ----------
    values_db
        PSR of each counted window, shape (windows,); empty for silence and below 3 s.
    first_hops
        First hop of each of these windows, shape (windows,).
    """

    values_db: Series
    first_hops: npt.NDArray[np.int64]

    @property
    def min_db(self) -> float | None:
        """Smallest PSR: the most squashed passage."""
        return float(self.values_db.min()) if self.values_db.size else None

    @property
    def min_at_s(self) -> float | None:
        """Mix time of the smallest PSR, the centre of its window, in s."""
        if not self.values_db.size:
            return None
        return centre_s(int(self.first_hops[self.values_db.argmin()]), SHORT_TERM_HOPS)

    @property
    def median_db(self) -> float | None:
        """PSR of the typical passage."""
        return float(np.median(self.values_db)) if self.values_db.size else None


def plr_db(true_peak_dbtp: float | None, integrated: float | None) -> float | None:
    """Peak-to-loudness ratio: highest true peak in dBTP minus integrated loudness in LUFS (EBU Tech 3343).

    None when either does not exist.
    """
    if true_peak_dbtp is None or integrated is None:
        return None
    return true_peak_dbtp - integrated


def psr_db(hop_peaks: npt.NDArray[np.float64], hops: Series) -> PsrSeries:
    """Peak-to-short-term ratio: peak within each 3 s window minus the short-term loudness of that window.

    Windows 10 ms apart; those under -70 LUFS or more than 20 LU under the integrated loudness do not count.

    Parameters
    ----------
    hop_peaks
        Linear peak per 10 ms hop, from `true_peak.hop_peaks`.
    hops
        K-weighted power of the same hops, from `loudness.weighted_hops`.
    """
    loudness = short_term_lufs(hops)
    integrated = integrated_lufs(hops)
    if integrated is None or loudness.size == 0:
        return PsrSeries(values_db=np.empty(0), first_hops=np.empty(0, dtype=np.int64))
    # origin moves the centred window of the filter so that value k covers hops k .. k+W-1
    highest = maximum_filter1d(hop_peaks, SHORT_TERM_HOPS, origin=-(SHORT_TERM_HOPS // 2))[: loudness.size]
    gate = max(ABSOLUTE_GATE_LUFS, integrated - _RELATIVE_GATE_LU)
    # A window of digital silence right after a loud end still holds the filter's ringing, but no peak.
    first_hops = np.flatnonzero((loudness >= gate) & (highest > 0.0))
    return PsrSeries(
        values_db=20.0 * np.log10(highest[first_hops]) - loudness[first_hops],
        first_hops=first_hops,
    )


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
