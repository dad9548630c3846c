"""NSGA-II behind ask/tell: looks for the whole front of up to three objectives."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.config.model import Coordinates, Ranges
from autochain.search.optimiser import Outcome
from autochain.search.space import from_vector, to_vector

Vector = npt.NDArray[np.float64]

# A budget of hundreds, not of tens of thousands as in the paper (100, and an index of 20): few parents, wide steps.
_POPULATION = 20
_INDEX = 5.0  # distribution index of crossover and mutation
_CROSSED = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class _Member:
    place: Vector
    outcome: Outcome


def ranks(objectives: Vector, violation: Vector) -> npt.NDArray[np.intp]:
    """Front of every point, 0 for the first; shape (points, objectives) and (points,), lower is better.

    A lower violation dominates whatever the objectives are (constraint domination, section VI of the paper).
    """
    no_worse = (objectives[:, None, :] <= objectives[None, :, :]).all(axis=2)
    better = no_worse & ~no_worse.T
    dominates = np.where(violation[:, None] == violation[None, :], better, violation[:, None] < violation[None, :])
    rank = np.full(len(objectives), -1)
    for front in range(len(objectives)):
        left = rank < 0
        if not left.any():
            break
        rank[left & ~dominates[left].any(axis=0)] = front
    return rank


def crowding(objectives: Vector) -> Vector:
    """Crowding distance within one front; shape (points, objectives). The ends of it are infinitely far."""
    distance = np.zeros(len(objectives))
    for column in objectives.T:
        order = np.argsort(column, kind="stable")
        distance[order[[0, -1]]] = np.inf
        span = column[order[-1]] - column[order[0]]
        if span > 0.0:
            distance[order[1:-1]] += (column[order[2:]] - column[order[:-2]]) / span
    return distance


class NsgaOptimiser:
    """Non-dominated sorting with crowding, simulated binary crossover and polynomial mutation.

    Source: Deb, Pratap, Agarwal, Meyarivan, "A fast and elitist multiobjective genetic algorithm: NSGA-II",
    IEEE Trans. Evolutionary Computation 6(2), 2002. Children enter the population batch by batch instead of
    generation by generation, which suits a small budget. A point that missed the target is dominated by every
    point that did not.

    Parameters
    ----------
    ranges
        Where it may go.
    seed
        Seed of its draws.
    startup
        Points known or drawn at random before any are bred.
    """

    def __init__(self, ranges: Ranges, seed: int, startup: int) -> None:
        self._ranges = ranges
        self._random = np.random.default_rng(seed)
        self._startup = startup
        self._seen = 0
        self._members: list[_Member] = []  # best first
        self._asked: list[Vector] = []

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points."""
        fresh = max(0, self._startup - self._seen) if self._members else count
        size = len(Coordinates.model_fields)
        self._asked = [self._random.random(size) if k < fresh else self._child() for k in range(count)]
        return [from_vector(place, self._ranges) for place in self._asked]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        """Take their outcomes, in the order asked."""
        new = [_Member(place=p, outcome=o) for p, o in zip(self._asked, outcomes, strict=True)]
        self._asked = []
        self._take(new)

    def known(self, point: Coordinates, outcome: Outcome) -> None:
        """Take a point into the population, clamped into the ranges."""
        self._take([_Member(place=np.clip(to_vector(point, self._ranges), 0.0, 1.0), outcome=outcome)])

    def _take(self, new: list[_Member]) -> None:
        """Keep the best: by front, then those that stand alone in theirs."""
        self._seen += len(new)
        members = self._members + new
        if not members:
            return
        objectives = np.array([m.outcome.objectives for m in members])
        violation = np.array([-np.inf if m.outcome.met else m.outcome.score for m in members])
        rank = ranks(objectives, violation)
        alone = np.zeros(len(members))
        for front in range(rank.max() + 1):
            alone[rank == front] = crowding(objectives[rank == front])
        self._members = [members[i] for i in np.lexsort((-alone, rank))[:_POPULATION]]

    def _parent(self) -> Vector:
        # Sorted best first, so the lower of two places wins the tournament.
        return self._members[int(self._random.integers(len(self._members), size=2).min())].place

    def _child(self) -> Vector:
        one, two = self._parent(), self._parent()
        draw = self._random.random(one.size)
        # Simulated binary crossover, one of the two children, with even odds which.
        stretch = np.where(draw <= 0.5, 2.0 * draw, 1.0 / (2.0 * (1.0 - draw))) ** (1.0 / (_INDEX + 1.0))
        side = np.where(self._random.random(one.size) < 0.5, stretch, -stretch)
        crossed = (self._random.random(one.size) < 0.5) & (self._random.random() < _CROSSED)
        child = np.where(crossed, 0.5 * (one + two) + 0.5 * side * (one - two), one)
        draw = self._random.random(one.size)
        step = np.where(
            draw < 0.5,
            (2.0 * draw) ** (1.0 / (_INDEX + 1.0)) - 1.0,
            1.0 - (2.0 * (1.0 - draw)) ** (1.0 / (_INDEX + 1.0)),
        )
        moved = self._random.random(one.size) < 1.0 / one.size
        inside: Vector = np.clip(child + np.where(moved, step, 0.0), 0.0, 1.0)
        return inside
