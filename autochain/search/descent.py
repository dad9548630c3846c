"""Local descent behind ask/tell: what a hand does once it is close, small moves around the best so far."""

from collections.abc import Sequence

import numpy as np

from autochain.config.model import Coordinates, Ranges
from autochain.search.space import from_vector, removable, switched, to_vector
from autochain.solve.decisions import Decisions

_FIRST_STEP = 0.15  # of a range
_SMALLEST_STEP = 0.02
_MOVED = 0.35  # share of the coordinates that one candidate moves


class DescentSampler:
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

    Attributes
    ----------
    best, score
        The point it moves around and its score; the middle of the ranges until one is known.
    """

    def __init__(self, ranges: Ranges, seed: int, decisions: Decisions) -> None:
        self._ranges = ranges
        self._decisions = decisions
        self._random = np.random.default_rng(seed)
        self._step = _FIRST_STEP
        middle = np.full(len(Coordinates.model_fields), 0.5)
        self.best, self.score = from_vector(middle, ranges), float("inf")
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
        nearest = min(range(len(scores)), key=lambda place: scores[place])
        if scores[nearest] < self.score:
            self.best, self.score = switched(self._asked[nearest]), scores[nearest]
            self._step = min(_FIRST_STEP, 1.2 * self._step)
        else:
            self._step = max(_SMALLEST_STEP, 0.8 * self._step)

    def known(self, point: Coordinates, score: float) -> None:
        """Take a point; the best of them is where it moves from."""
        if score < self.score:
            self.best, self.score = switched(point), score
