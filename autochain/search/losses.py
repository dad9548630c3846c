"""Level that the peak stages take: expected from solved trials at other points, so that one render hits the target."""

from collections.abc import Sequence
from statistics import median

import numpy as np

from autochain.config.model import Coordinates, Ranges
from autochain.search.space import switched, to_vector
from autochain.search.surrogate import Floats, Surrogate, features
from autochain.solve.drive import Solution
from autochain.solve.solved import Guess

_FEW = 3  # from which on a model says more than their middle
_LEARN_FROM = 12
_LIKE_THE_LAST = 24  # slopes are taken from the latest solves, which lie near what is asked next


class Losses:
    """Where the next solves start.

    Parameters
    ----------
    ranges
        The scale on which points are near.
    prior
        The model of an earlier search of the same mix.
    """

    def __init__(self, ranges: Ranges, prior: Surrogate | None = None) -> None:
        self._ranges = ranges
        self._few = _FEW if prior is None else 1
        self._places: list[Floats] = []
        self._losses_db: list[float] = []
        self._slopes: list[float] = []
        self._model = Surrogate(prior=prior)

    def add(self, point: Coordinates, solution: Solution, loss_db: float) -> None:
        """Take a solve; one that missed its target says nothing."""
        if solution.met:
            self._places.append(self._place(point))
            self._losses_db.append(loss_db)
            self._slopes.append(solution.slope)

    def learned(self) -> Surrogate | None:
        """Model of the level lost; None where nothing was solved."""
        if not self._losses_db:
            return None
        sweeps = 1 if len(self._losses_db) >= _LEARN_FROM else 0
        return self._model.fit(features(np.array(self._places)), np.array(self._losses_db), sweeps)

    def guesses(self, points: Sequence[Coordinates]) -> list[Guess]:
        """Where to start at points."""
        if not self._losses_db:
            return [Guess() for _ in points]
        slope = median(self._slopes[-_LIKE_THE_LAST:])
        if len(self._losses_db) < self._few:
            return [Guess(loss_db=median(self._losses_db), slope=slope) for _ in points]
        model = self.learned()
        assert model is not None
        expected, _ = model.expect(features(np.array([self._place(point) for point in points])))
        return [Guess(loss_db=float(loss_db), slope=slope) for loss_db in expected]

    def _place(self, point: Coordinates) -> Floats:
        return np.array(to_vector(switched(point), self._ranges))
