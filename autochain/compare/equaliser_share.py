"""How much of planned equaliser curves a bounce holds, and how surely that can be told."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.chain.settings import StageName
from autochain.measure.band_changes import BandChange

# Limits of this project.
_LEAST_RMS_DB = 0.2
_ALIKE_BANDS = 3.0  # neighbouring third octaves, mid and side miss alike: so many count as one
_LEAST_ERROR = 0.02
_LEFT_OUT, _SURE = 0.3, 3.0
_EXPLAINED, _PART_EXPLAINED = 0.5, 0.8
_NONE, _FULL, _TWICE = 0.15, 0.8, 1.65


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualiserShare:
    """Share of one curve.

    Attributes
    ----------
    share
        0 where the equaliser is missing, 1 as planned, 2 where it is applied twice.
    error
        Its standard error.
    explained
        How much of the squared difference between plan and bounce these curves explain, a slope of the spectrum and
        the tone of the plan's dynamics left out of account, 0 to 1.
    """

    share: float
    error: float
    explained: float

    @property
    def left_out(self) -> bool:
        """Whether it is clearly missing."""
        return self.explained >= _EXPLAINED and abs(self.share) + self.error * _SURE < _LEFT_OUT + _NONE

    @property
    def in_part(self) -> bool:
        """Whether it is there, clearly more than not at all and clearly less than planned."""
        low, high = self.share - _SURE * self.error, self.share + _SURE * self.error
        return self.explained >= _PART_EXPLAINED and low > _NONE and high < _FULL

    @property
    def twice(self) -> bool:
        """Whether it is clearly about twice as much."""
        return self.explained >= _EXPLAINED and self.share - self.error * _SURE > 1.5 and self.share > _TWICE


def equaliser_shares(
    curves: Mapping[StageName, Sequence[BandChange]], planned: Sequence[BandChange], bounce: Sequence[BandChange]
) -> dict[StageName, EqualiserShare]:
    """Least-squares shares of all curves together in the difference of two comparisons.

    The difference bounce - planned is explained by sum_s k_s curve_s, a constant, a slope per octave, and a share
    of what the plan does to the spectrum beyond its curves: another drive, or another limiter, moves it in these
    ways and is no equaliser. Mid and side count alike, in the bands that are heard in all.

    Parameters
    ----------
    curves
        What each equaliser alone does to the mix, by stage.
    planned, bounce
        What plan and bounce do to it.

    Returns
    -------
    1 + k by stage; curves that are too flat to tell, or that another one mirrors, are left out.
    """
    names = [name for name, curve in curves.items() if _is_bent(curve)]
    sides = [{band.nominal_hz: band for band in one} for one in (planned, bounce, *(curves[name] for name in names))]
    rows = []
    for hz in sides[0]:
        bands = [side.get(hz) for side in sides]
        for part in ("mid_change_db", "side_change_db"):
            values = [getattr(band, part) if band is not None and band.heard else None for band in bands]
            if None not in values:
                rows.append([np.log2(hz), *values])
    few = len(names) + 3
    if not names or len(rows) < _ALIKE_BANDS * (few + 1):
        return {}
    slope, plan, own, *bent = np.array(rows).T
    E = _free_of(np.column_stack(bent), slope, plan - sum(bent))
    d = _free_of((own - plan)[:, None], slope, plan - sum(bent))[:, 0]
    if np.sqrt(np.mean(E**2, axis=0)).min() < 0.5 * _LEAST_RMS_DB or np.linalg.cond(E) > 10.0:
        return {}
    k, *_ = np.linalg.lstsq(E, d, rcond=None)
    missed = float(np.sum((d - E @ k) ** 2))
    # E.T @ E counts every row; the misses that are independent are fewer, in number and in what they average out.
    free = max(1.0, len(rows) / _ALIKE_BANDS - few)
    errors = np.sqrt(np.diag(np.linalg.inv(E.T @ E)) * missed / free)
    explained = 1.0 - missed / max(float(d @ d), 1e-12)
    return {
        name: EqualiserShare(share=1.0 + float(own), error=max(_LEAST_ERROR, float(error)), explained=explained)
        for name, own, error in zip(names, k, errors, strict=True)
    }


def _is_bent(curve: Sequence[BandChange]) -> bool:
    values = [band.change_db for band in curve if band.heard and band.change_db is not None]
    return len(values) > 3 and float(np.std(values)) >= _LEAST_RMS_DB


def _free_of(columns: npt.NDArray[np.float64], *others: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Columns without what a constant and the others explain of them."""
    A = np.column_stack([np.ones(len(columns)), *others])
    return np.asarray(columns - A @ np.linalg.lstsq(A, columns, rcond=None)[0])
