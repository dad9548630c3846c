"""Local descent behind ask/tell: what a hand does once it is close, small moves around the best so far."""

from collections.abc import Sequence

import numpy as np

from autochain.config.model import Coordinates, Ranges
from autochain.search.space import Decisions, from_vector, removable, switched, to_vector

_FIRST_STEP = 0.15  # of a range
_SMALLEST_STEP = 0.02
_MOVED = 0.35  # share of the coordinates that one candidate moves


class DescentOptimiser:
    """An evolution strategy with one parent and self-adapting step: widens on success, narrows on failure.

    One candidate of every batch switches a stage off instead, since fewer stages often score better and
    a step seldom lands on exactly none.

    Parameters
    ----------
    ranges
        Where it may go.
    seed
        Seed of its draws.
    decisions
        Which stages are locked in or left out anyway.
    start, score
        The point it starts from and its score.
    """

    def __init__(
        self, ranges: Ranges, seed: int, decisions: Decisions, start: Coordinates, score: float
    ) -> None:
        self._ranges = ranges
        self._decisions = decisions
        self._random = np.random.default_rng(seed)
        self._step = _FIRST_STEP
        self.best, self.score = switched(start), score
        self._asked: list[Coordinates] = []

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points around the best."""
        here = np.clip(to_vector(self.best, self._ranges), 0.0, 1.0)
        used = removable(self.best, self._decisions)
        self._asked = []
        for place in range(count):
            moves = self._random.random(here.size) < _MOVED
            moves[self._random.integers(here.size)] = True
            step = self._step * self._random.standard_normal(here.size)
            off = self._random.integers(len(used)) if used else 0
            if place == 0 and used and count > 1:
                self._asked.append(self.best.model_copy(update={used[int(off)]: 0.0}))
                continue
            self._asked.append(from_vector(np.clip(here + step * moves, 0.0, 1.0), self._ranges))
        return list(self._asked)

    def tell(self, scores: Sequence[float]) -> None:
        """Take their scores, in the order asked."""
        nearest = int(np.argmin(scores))
        if scores[nearest] < self.score:
            self.best, self.score = switched(self._asked[nearest]), float(scores[nearest])
            self._step = min(_FIRST_STEP, 1.2 * self._step)
        else:
            self._step = max(_SMALLEST_STEP, 0.8 * self._step)
