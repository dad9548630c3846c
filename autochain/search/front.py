"""What the trials show beside the best of them: how far each cost moved, and the two neighbours of the choice.

The costs are gathered into three objectives, each a weighted sum of costs: added distortion; openness, which is
what hits, contrast and a steady level lose; and the shift of image and tilt. A trial is non-dominated when no
other is as good in all three and better in one.

A neighbour is a non-dominated trial that gives at least a quarter of a point of one objective back, as much as the
sheet calls a worsening, and costs no more than a stated amount of score in all:

- **cleaner** adds less distortion;
- **more open** loses less openness.

Where the search has found none, there is no real choice on that side.
"""

from collections.abc import Mapping, Sequence
from typing import Protocol, TypeVar

import numpy as np

from autochain.config.model import Weights
from autochain.search.costs import COST_NAMES, Costs, terms

GROUPS: dict[str, tuple[str, ...]] = {
    "distortion": ("added_distortion_nmr_db", "added_distortion_low_nmr_db"),
    "openness": (
        "crest_loss_db", "onset_loss_db", "asymmetry_reduction_db", "gain_movement_db", "contrast_loss_lu",
    ),
    "shift": ("image_shift_db", "tilt_shift_db", "short_term_overshoot_lu"),
}  # fmt: skip
CLEANER, MORE_OPEN = "cleaner", "more_open"
SIDES: Mapping[str, str] = {CLEANER: "distortion", MORE_OPEN: "openness"}  # the objective that is to be less
REAL_CHOICE = 0.25  # points; two searches differ by as much. A limit of this project
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


def neighbours(
    choice: Priced, points: Sequence[P], weights: Weights, within: float, least: float = REAL_CHOICE
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
    least
        Points of one objective that make a real choice.
    """
    sides = by_side(choice, non_dominated(points, weights), weights, within, least)
    return {name: side[0] for name, side in sides.items() if side}


def by_side(
    choice: Priced, points: Sequence[P], weights: Weights, within: float, least: float = REAL_CHOICE
) -> dict[str, list[P]]:
    """Points that differ enough from the choice and cost little enough, by side, the cheapest first."""
    near = sorted((p for p in points if p.score <= choice.score + within), key=lambda p: p.score)
    own = objectives(choice.costs, weights)
    places = {side: list(GROUPS).index(group) for side, group in SIDES.items()}
    return {
        side: [p for p in near if objectives(p.costs, weights)[place] <= own[place] - least]
        for side, place in places.items()
    }


def cost_spread(points: Sequence[Priced]) -> dict[str, tuple[float, float]]:
    """5th and 95th percentile of every cost over points; empty when there are none."""
    if not points:
        return {}
    values = np.array([[getattr(p.costs, name) for name in COST_NAMES] for p in points])
    low, high = np.percentile(values, _PERCENTILES, axis=0)
    return {name: (float(a), float(b)) for name, a, b in zip(COST_NAMES, low, high, strict=True)}
