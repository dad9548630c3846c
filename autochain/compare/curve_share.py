"""How much of an equaliser's curve a bounce has beyond its plan."""

from collections.abc import Sequence

import numpy as np

from autochain.compare.bands import BandChange

_LEAST_RMS_DB = 0.2
_EXPLAINED = 0.5


def curve_share(
    curve: Sequence[BandChange], planned: Sequence[BandChange], bounce: Sequence[BandChange]
) -> float | None:
    """Least-squares share k of a curve in the difference of two comparisons: bounce - planned = k curve + constant.

    Parameters
    ----------
    curve
        What the equaliser alone does to the mix.
    planned, bounce
        What plan and bounce do to it. Mid and side count alike, in the bands that are heard in all three.

    Returns
    -------
    -1 where the equaliser is missing, 1 where it is applied twice, about 0 where it is as planned; None where the curve
    is too flat to tell or explains less than half of the difference.
    """
    own = {band.nominal_hz: band for band in bounce}
    plan = {band.nominal_hz: band for band in planned}
    rows = []
    for band in curve:
        both = (plan.get(band.nominal_hz), own.get(band.nominal_hz))
        if not band.heard or any(other is None or not other.heard for other in both):
            continue
        for name in ("mid_change_db", "side_change_db"):
            values = [getattr(one, name) for one in (band, *both)]
            if None not in values:
                rows.append(values)
    if len(rows) < 4:
        return None
    e, p, b = np.array(rows).T
    e, d = e - e.mean(), (b - p) - (b - p).mean()
    if np.sqrt(np.mean(e**2)) < _LEAST_RMS_DB:
        return None
    k = float(e @ d / (e @ e))
    if d @ d > 0.0 and k**2 * (e @ e) / (d @ d) < _EXPLAINED:
        return None
    return k
