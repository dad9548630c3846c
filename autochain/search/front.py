"""What the trials show beside the best of them: how far each cost moved, and the two neighbours of the choice.

The costs are gathered into three objectives, each a weighted sum of costs: added distortion; openness, which is
what hits, contrast and a steady level lose; and the shift of image and tilt. A trial is non-dominated when no
other is as good in all three and better in one.

A neighbour is a non-dominated trial that gives at least half a dB of some cost back, in the dB that the score
counts, and costs no more than a stated amount of score:

- **more open** loses less openness in all, and at least half a dB less crest, onset, steadiness or contrast;
- **denser** lets the compressors and the clipper take at least half a dB more in the loud parts, and has at
  least half a dB less of some cost.

Where the search has found none, there is no real choice on that side.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol, TypeVar

import numpy as np

from autochain.config.model import Weights
from autochain.search.costs import COST_NAMES, Costs, priced_db, terms

GROUPS: dict[str, tuple[str, ...]] = {
    "distortion": ("added_distortion_nmr_db", "added_distortion_low_nmr_db"),
    "openness": (
        "crest_loss_db", "onset_loss_db", "asymmetry_reduction_db", "gain_movement_db", "contrast_loss_lu",
    ),
    "shift": ("image_shift_db", "tilt_shift_db", "short_term_overshoot_lu"),
}  # fmt: skip
OPEN = ("crest_loss_db", "onset_loss_db", "gain_movement_db", "contrast_loss_lu")

MORE_OPEN = "more_open"
DENSER = "denser"
REAL_CHOICE_DB = 0.5  # less than this nobody is asked to choose by; the costs' own spread is of this size
_PERCENTILES = (5.0, 95.0)


class Priced(Protocol):
    """What is compared: a trial on the excerpts, or a chain verified on the whole song."""

    @property
    def costs(self) -> Costs:
        """Its costs."""
        ...

    @property
    def score(self) -> float:
        """Their weighted sum."""
        ...

    @property
    def early_work_db(self) -> float:
        """What compressors and clipper take in the loud parts."""
        ...


P = TypeVar("P", bound=Priced)


def objectives(costs: Costs, weights: Weights) -> tuple[float, ...]:
    """Distortion, openness and shift in points of score; they add up to it."""
    priced = terms(costs, weights)
    return tuple(sum(priced[name] for name in names) for names in GROUPS.values())


def non_dominated(points: Sequence[P], weights: Weights) -> list[P]:
    """Points that no other equals in all objectives and beats in one, in the order given."""
    values = np.array([objectives(p.costs, weights) for p in points]).reshape(len(points), len(GROUPS))
    return [
        point
        for point, own in zip(points, values, strict=True)
        if not ((values <= own).all(axis=1) & (values < own).any(axis=1)).any()
    ]


def differences_db(point: Priced, choice: Priced) -> dict[str, float]:
    """Costs of a point less those of the choice, in the dB that the score counts."""
    theirs, ours = priced_db(point.costs), priced_db(choice.costs)
    return {name: theirs[name] - ours[name] for name in COST_NAMES}


def is_more_open(point: Priced, choice: Priced, weights: Weights, least_db: float = REAL_CHOICE_DB) -> bool:
    """Whether a point loses less openness in all, and `least_db` less of one of its parts."""
    moved = differences_db(point, choice)
    place = list(GROUPS).index("openness")
    less = objectives(point.costs, weights)[place] < objectives(choice.costs, weights)[place]
    return less and min(moved[name] for name in OPEN) <= -least_db


def is_denser(point: Priced, choice: Priced, weights: Weights, least_db: float = REAL_CHOICE_DB) -> bool:
    """Whether compressors and clipper take `least_db` more, for `least_db` less of some cost; openness goes first."""
    more = point.early_work_db - choice.early_work_db >= least_db
    pays = min(differences_db(point, choice).values()) <= -least_db
    return more and pays and not is_more_open(point, choice, weights, least_db)


_Belongs = Callable[[Priced, Priced, Weights, float], bool]
SIDES: Mapping[str, _Belongs] = {MORE_OPEN: is_more_open, DENSER: is_denser}


def neighbours(
    choice: Priced, points: Sequence[P], weights: Weights, within: float, least_db: float = REAL_CHOICE_DB
) -> dict[str, P]:
    """The cheapest neighbour of the choice on each side, where there is one.

    Parameters
    ----------
    choice
        What they are compared with.
    points
        What to draw from: all met the target and are allowed, and were judged at the same loudness as the choice.
    weights
        Price of every cost.
    within
        Most points of score that a neighbour may cost beyond the choice.
    least_db
        Least difference that is a real choice.
    """
    sides = by_side(choice, non_dominated(points, weights), weights, within, least_db)
    return {name: side[0] for name, side in sides.items() if side}


def by_side(
    choice: Priced, points: Sequence[P], weights: Weights, within: float, least_db: float = REAL_CHOICE_DB
) -> dict[str, list[P]]:
    """Points that differ enough from the choice and cost little enough, by side, the cheapest first."""
    near = sorted((p for p in points if p.score <= choice.score + within), key=lambda p: p.score)
    return {
        name: [p for p in near if belongs(p, choice, weights, least_db)] for name, belongs in SIDES.items()
    }


def cost_spread(points: Sequence[Priced]) -> dict[str, tuple[float, float]]:
    """5th and 95th percentile of every cost over points; empty when there are none."""
    if not points:
        return {}
    values = np.array([[getattr(p.costs, name) for name in COST_NAMES] for p in points])
    low, high = np.percentile(values, _PERCENTILES, axis=0)
    return {name: (float(a), float(b)) for name, a, b in zip(COST_NAMES, low, high, strict=True)}
