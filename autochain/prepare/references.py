"""The engineer's own references: their common balance, how far they differ, and what they have beside it.

Balance is the level of a third-octave band relative to the whole, mid and side apart, so that neither loudness nor
width of a reference enters into its mid. One reference has no spread; what that is worth, `tone` decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure.measurement import LOW_END_HZ, Measurement, measure
from autochain.measure.spectrum import measure_spectrum
from autochain.measure.third_octaves import NOMINAL_HZ, third_octaves
from autochain.units import power_to_db

_Doubles = npt.NDArray[np.float64]

_NOTHING_DB = -90.0  # a band this far under the whole says nothing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """Balance and figures of one song.

    Attributes
    ----------
    mid_db, side_db
        Level of every third-octave band from 25 Hz to 20 kHz in dB of the whole of mid, and of side; nan where
        there is nothing. Shape (30,).
    low_end_db
        Energy below 120 Hz in dB of the whole.
    figures
        Everything else that is measured.
    """

    mid_db: _Doubles
    side_db: _Doubles
    low_end_db: float
    figures: Measurement


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """One reference: base name, hash, and what was measured."""

    file: str
    sha256: str
    profile: Profile


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CommonBalance:
    """What the references have in common: mean and spread (standard deviation; 0 of one reference) per band."""

    mid_db: _Doubles
    mid_spread_db: _Doubles
    side_db: _Doubles
    side_spread_db: _Doubles


def profile(samples: Samples, rate_hz: int, figures: Measurement | None = None) -> Profile:
    """Balance and figures of a song, shape (frames, channels); `figures` when they are measured already."""
    spectrum = measure_spectrum(samples, rate_hz)
    bands = third_octaves(spectrum)
    low = sum(spectrum.between(0.0, LOW_END_HZ))
    whole = float(spectrum.mid.sum() + spectrum.side.sum())
    return Profile(
        mid_db=relative_db([band.mid_db for band in bands]),
        side_db=relative_db([band.side_db for band in bands]),
        low_end_db=power_to_db(low / whole) if whole > 0.0 else -200.0,
        figures=measure(samples, rate_hz) if figures is None else figures,
    )


def common(profiles: Sequence[Profile]) -> CommonBalance:
    """Aggregate of one reference or more; bands that no reference has are nan."""
    mid, mid_spread = _mean_and_spread([p.mid_db for p in profiles])
    side, side_spread = _mean_and_spread([p.side_db for p in profiles])
    return CommonBalance(mid_db=mid, mid_spread_db=mid_spread, side_db=side, side_spread_db=side_spread)


def relative_db(levels: Sequence[float | None]) -> _Doubles:
    """Levels of the third octaves in dB of the whole; nan where there is nothing."""
    known = np.array([np.nan if level is None else level for level in levels])
    power = np.nansum(10.0 ** (known / 10.0))
    if power <= 0.0:
        return np.full(len(NOMINAL_HZ), np.nan)
    relative = known - 10.0 * np.log10(power)
    return np.where(relative > _NOTHING_DB, relative, np.nan)


def _mean_and_spread(rows: Sequence[_Doubles]) -> tuple[_Doubles, _Doubles]:
    stacked = np.array(rows)
    known = ~np.isnan(stacked)
    count = known.sum(axis=0)
    filled = np.where(known, stacked, 0.0)
    mean = np.where(count > 0, filled.sum(axis=0) / np.maximum(count, 1), np.nan)
    around = np.where(known, stacked - mean, 0.0)
    spread = np.sqrt((around**2).sum(axis=0) / np.maximum(count - 1, 1))
    return mean, spread
