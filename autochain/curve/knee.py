"""Where loudness begins to cost more: the break of two joined lines, and the point furthest from the chord.

Two joined straight lines are fitted by least squares, the join being wherever the error is least (two-phase regression
with unknown join: D. J. Hudson 1966, J. Am. Stat. Assoc. 61, from memory). It lies between points where they say so,
and on data that are two lines it does not depend on how far either of them is shown. The point of greatest distance to
the line between both ends (I. Das 1999, Structural Optimization 18, from memory; the same point that V. Satopaa et al.
2011 look for on smooth data) moves with the ends shown; it is told beside the break, not in its place.

Two lines fit any bend. It is a corner only where they fit clearly better than a smooth curve does, a quadratic or a
cubic: by Akaike's criterion n ln(RSS / n) + 2 k (H. Akaike 1974, IEEE Trans. Automatic Control 19), which compares
models that do not contain each other, by more than 4; up to 2 apart both have support, from 4 on the poorer has
considerably less (K. P. Burnham and D. R. Anderson 2002, Model Selection and Multimodel Inference, ch. 2, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

LEAST_POINTS = 5  # four numbers are fitted
_STEEPER = 1.25  # slopes closer than this are one line for anyone who reads them
_CLEARLY = 4.0
# Points of score that no search reproduces; a limit of this project. Without it an exact fit has no likelihood.
_SCATTER = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Knee:
    """Two joined lines.

    Attributes
    ----------
    at
        Where they join.
    low, high
        The least and greatest of it when the first point, the last, or neither is left out.
    below, above
        Slopes before and behind.
    chord_at
        Point furthest from the line between both ends.
    corner
        Whether the cost turns there; False where it bends gradually.
    """

    at: float
    low: float
    high: float
    below: float
    above: float
    chord_at: float
    corner: bool


def chord_distance(x: Sequence[float], y: Sequence[float]) -> npt.NDArray[np.float64]:
    """Distance of every point to the line between the first and the last, along y, both axes scaled to 0 .. 1.

    Divided by the square root of 2 it is the distance at a right angle.
    """
    at, value = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    spans = np.ptp(at), np.ptp(value)
    if not all(spans):
        return np.zeros(at.size)
    at, value = (at - at.min()) / spans[0], (value - value.min()) / spans[1]
    chord = value[0] + (value[-1] - value[0]) * (at - at[0]) / (at[-1] - at[0])
    distance: npt.NDArray[np.float64] = np.abs(value - chord)
    return distance


def _joined(x: npt.NDArray[np.float64], join: float) -> npt.NDArray[np.float64]:
    return np.stack([np.ones_like(x), x, np.maximum(0.0, x - join)], axis=1)


def slopes_at(x: Sequence[float], y: Sequence[float], join: float) -> tuple[float, float]:
    """Slopes of the two lines that fit best when they join at `join`."""
    at = np.asarray(x, dtype=np.float64)
    fit, *_ = np.linalg.lstsq(_joined(at, join), np.asarray(y, dtype=np.float64))
    return float(fit[1]), float(fit[1] + fit[2])


def _join(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> float:
    """Where two lines join that leave least error; two points at least on either side.

    The best join lies where two lines fitted apart cross between their points, or else at a point (Hudson's two types).
    """
    candidates = [float(at) for at in x[1:-1]]
    for k in range(2, x.size - 1):
        (a, b), (c, d) = np.polyfit(x[:k], y[:k], 1), np.polyfit(x[k:], y[k:], 1)
        crossing = (d - b) / (a - c) if a != c else np.inf
        if x[k - 1] < crossing < x[k]:
            candidates.append(float(crossing))

    def error(join: float) -> float:
        design = _joined(x, join)
        fit, *_ = np.linalg.lstsq(design, y)
        return float(np.sum((design @ fit - y) ** 2))

    return min(sorted(candidates), key=error)


def _is_corner(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], join: float) -> bool:
    """Whether two lines that join fit clearly better than any smooth bend."""

    def criterion(design: npt.NDArray[np.float64], fitted: int) -> float:
        fit, *_ = np.linalg.lstsq(design, y)
        mean_square = float(np.mean((design @ fit - y) ** 2))
        return x.size * math.log(mean_square + _SCATTER**2) + 2.0 * fitted

    middle = x - x.mean()
    smooth = min(criterion(np.vander(middle, count), count) for count in (3, 4))
    return criterion(_joined(x, join), 4) + _CLEARLY < smooth


def find_knee(x: Sequence[float], y: Sequence[float]) -> Knee | None:
    """Knee of a cost that rises with `x`; None with fewer than five points, or where the cost never gets steeper.

    Parameters
    ----------
    x
        Rising.
    y
        Cost at each.
    """
    at, cost = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if at.size < LEAST_POINTS:
        return None
    joins = [_join(at, cost)]
    if at.size > LEAST_POINTS:
        joins += [_join(at[1:], cost[1:]), _join(at[:-1], cost[:-1])]
    below, above = slopes_at(x, y, joins[0])
    if above <= 0.0 or above < _STEEPER * below:
        return None
    chord = float(at[int(np.argmax(chord_distance(x, y)))])
    return Knee(
        at=joins[0],
        low=min(joins),
        high=max(joins),
        below=below,
        above=above,
        chord_at=chord,
        corner=_is_corner(at, cost, joins[0]),
    )
