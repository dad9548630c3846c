"""Where a drive solve starts: what the nearest trials so far have lost to their peak stages."""

from collections.abc import Sequence

import numpy as np

from autochain.config.model import Coordinates, Ranges
from autochain.search.space import switched, to_vector
from autochain.search.trial import Trial
from autochain.solve.solved import Guess

_NEIGHBOURS = 4


def guess_from(
    trials: Sequence[Trial], coordinates: Coordinates, ranges: Ranges, *, first: bool = False
) -> Guess:
    """Distance-weighted mean of loss and slope over the four nearest solved trials; with `first`, of the first excerpt.

    A trial that never heard the first excerpt alone says what it lost on all.
    """
    solved = [t for t in trials if t.coordinates is not None and t.solution.met]
    if not solved:
        return Guess()
    here = np.array(to_vector(switched(coordinates), ranges))
    there = np.array([to_vector(switched(t.coordinates), ranges) for t in solved if t.coordinates is not None])
    distance = np.sqrt(((there - here) ** 2).sum(axis=1))
    nearest = np.argsort(distance, kind="stable")[:_NEIGHBOURS]
    weight = 1.0 / (distance[nearest] + 0.02)
    weight /= weight.sum()
    lost = [t.first_loss_db if first and t.first_loss_db is not None else t.loss_db for t in solved]
    return Guess(
        loss_db=float(sum(w * lost[i] for w, i in zip(weight, nearest, strict=True))),
        slope=float(sum(w * solved[i].solution.slope for w, i in zip(weight, nearest, strict=True))),
    )
