"""CMA-ES behind ask/tell, in the unit cube."""

from collections.abc import Sequence

import cmaes
import numpy as np
import numpy.typing as npt

from autochain.config.model import Coordinates, Ranges
from autochain.search.optimiser import Outcome
from autochain.search.space import from_vector, to_vector

Vector = npt.NDArray[np.float64]

_FIRST_SPREAD = 0.1  # standard deviation, of a range; 0.2 and 0.05 did worse from the baselines
_LEAST_POPULATION = 8
# A generation that differs by less in every coordinate has stalled: a hand cannot set such steps.
_STALLED = 0.004


def mirrored(place: Vector) -> Vector:
    """Fold any place into the unit cube as if its walls were mirrors.

    An optimum on a wall, where many of ours lie, is then in the middle of a symmetric bowl, which a normal
    distribution finds; drawing again until a point is inside would keep it away from there.
    """
    return np.asarray(1.0 - np.abs(1.0 - np.mod(place, 2.0)))


class CmaOptimiser:
    """Covariance matrix adaptation (Hansen, "The CMA Evolution Strategy: A Tutorial", arXiv:1604.00772).

    Starts at the best point known and once more wherever a better one becomes known. When it has stalled it starts
    anew at a random place with twice the population (Auger and Hansen, "A restart CMA evolution strategy with
    increasing population size", CEC 2005). A generation is a whole number of batches of the size first asked for,
    so that no point of it stems from a distribution that has moved on.

    Parameters
    ----------
    ranges
        Where it may go.
    seed
        Seed of its draws.
    spread
        Standard deviation it starts with, of a range.
    """

    def __init__(self, ranges: Ranges, seed: int, spread: float = _FIRST_SPREAD) -> None:
        self._ranges = ranges
        self._random = np.random.default_rng(seed)
        self._spread = spread
        self._start: Vector = np.full(len(Coordinates.model_fields), 0.5)
        self._best = np.inf
        self._population = 0
        self._strategy: cmaes.CMA | None = None
        self._asked: list[Vector] = []
        self._generation: list[tuple[Vector, float]] = []

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points."""
        if self._population == 0:
            self._population = count * -(-_LEAST_POPULATION // count)
        if self._strategy is None:
            seed = int(self._random.integers(2**31))
            self._strategy = cmaes.CMA(self._start, self._spread, seed=seed, population_size=self._population)
            self._generation = []
        self._asked = [self._strategy.ask() for _ in range(count)]
        return [from_vector(mirrored(place), self._ranges) for place in self._asked]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        """Take their outcomes, in the order asked."""
        for place, outcome in zip(self._asked, outcomes, strict=True):
            self._best = min(self._best, outcome.score)
            if self._strategy is None:
                continue  # it has just stalled
            self._generation.append((place, outcome.score))
            if len(self._generation) == self._population:
                self._strategy.tell(self._generation)
                if self._stalled():
                    self._strategy = None
                    self._population *= 2
                    self._start = self._random.random(self._start.size)
                self._generation = []

    def known(self, point: Coordinates, outcome: Outcome) -> None:
        """Take a point; a better one than any before is where it starts from."""
        if outcome.score < self._best:
            self._best = outcome.score
            self._start = np.clip(to_vector(point, self._ranges), 0.0, 1.0)
            self._strategy = None

    def _stalled(self) -> bool:
        assert self._strategy is not None
        spread = np.std([place for place, _ in self._generation], axis=0)
        return bool(self._strategy.should_stop() or spread.max() < _STALLED)
