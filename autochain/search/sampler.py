"""Proposes the points that a search tries: where a model of the trials so far expects the most, or knows the least.

D. R. Jones, M. Schonlau, W. J. Welch, "Efficient Global Optimization of Expensive Black-Box Functions", Journal of
Global Optimization 13, 1998: expected improvement. Points of one batch are chosen one after the other, each as if those
before had come out as expected (D. Ginsbourger, R. Le Riche, L. Carraro, 2010: kriging believer). From memory.
"""

import math
from collections.abc import Sequence

import numpy as np

from autochain.config.coordinates import COORDINATES, NAMES, SWITCHING
from autochain.config.model import Coordinates, Ranges
from autochain.search.space import from_vector, removable, switched, to_vector
from autochain.search.surrogate import Floats, Surrogate, features
from autochain.solve.decisions import Decisions

# Scores far behind the best need no telling apart: the model sees their distance to it on a log scale of this many
# points of score.
_NEAR_BEST = 2.0
_LEADERS = 5  # around which small moves are looked at
_STEPS = (0.03, 0.08, 0.2)  # of a range
_MOVES, _ANYWHERE = 60, 400  # a leader and step, and all over the ranges
_MOVED, _STAYS_ON = 0.35, 0.6  # share of the coordinates that a move changes; chance of a stage to be in
_FINER = (0.1, 0.04, 0.015)
_FINE_MOVES = 80
_FIRST_SWEEPS, _SWEEPS = 3, 2
_ROUNDING = 1e-9
_DECIMALS = 9  # of an improvement: what differs less is the same, on any processor

_SWITCHES = {NAMES.index(c.name): c for c in SWITCHING}
_erf = np.vectorize(math.erf, otypes=[np.float64])


def free_coordinates(decisions: Decisions) -> list[int]:
    """Places of the coordinates that a decision leaves open."""
    return [
        place
        for place, c in enumerate(COORDINATES)
        if c.place not in decisions.locks and c.stage not in decisions.without
    ]


class ModelSampler:
    """Asks for points, is told their scores.

    The same seed and the same calls give the same points, so whoever repeats the calls has the sampler as it was.

    Parameters
    ----------
    ranges
        Where it may go.
    seed
        Seed of its draws.
    decisions
        Which settings are locked, and which stages are in or left out anyway.
    usual
        Where coordinates stay that nothing depends on.
    prior
        The model of an earlier search of the same mix.
    """

    def __init__(
        self, ranges: Ranges, seed: int, decisions: Decisions, usual: Coordinates, prior: Surrogate | None = None
    ) -> None:
        self._ranges = ranges
        self._decisions = decisions
        self._free = free_coordinates(decisions)
        self._random = np.random.default_rng(seed)
        self._usual = np.clip(to_vector(usual, ranges), 0.0, 1.0)
        self._places: list[Floats] = []
        self._scores: list[float] = []
        self._asked: list[Coordinates] = []
        self._model = Surrogate(prior=prior)

    def spread(self, count: int) -> list[Coordinates]:
        """`count` points all over the ranges, each coordinate in even steps (a Latin hypercube)."""
        order = np.array([self._random.permutation(count) for _ in NAMES], dtype=np.float64).reshape(len(NAMES), count)
        drawn = (order.T + self._random.random((count, len(NAMES)))) / max(1, count)
        self._asked = [self._point(place) for place in self._only_free(drawn)]
        return list(self._asked)

    def ask(self, count: int) -> list[Coordinates]:
        """`count` points to evaluate, all inside the ranges: spread over them where nothing is known."""
        model = self.learned()
        if model is None:
            return self.spread(count)
        places, scores = np.array(self._places), np.array(self._scores)
        values, seen = self._values(), features(places)
        candidates = self._candidates(places[np.argsort(scores, kind="stable")[:_LEADERS]])
        self._asked = []
        for _ in range(count):
            place = self._most_promising(model, candidates, float(values.min()))
            self._asked.append(self._point(place))
            fresh = features(place[None])
            expected, _ = model.expect(fresh)
            seen, values = np.vstack((seen, fresh)), np.append(values, expected)
            model = model.with_points(seen, values)
        return list(self._asked)

    def learned(self) -> Surrogate | None:
        """Model of the score, as its distance to the best on a log scale; None where nothing is known."""
        if not self._scores:
            return None
        sweeps = _FIRST_SWEEPS if len(self._scores) < 2 * len(NAMES) else _SWEEPS
        return self._model.fit(features(np.array(self._places)), self._values(), sweeps)

    def _values(self) -> Floats:
        scores = np.array(self._scores)
        return np.asarray(np.log1p((scores - scores.min()) / _NEAR_BEST))

    def tell(self, scores: Sequence[float]) -> None:
        """Take the scores of all points last asked for, in the order asked; lower is better."""
        for point, score in zip(self._asked, scores, strict=True):
            self.known(point, score)
        self._asked = []

    def known(self, point: Coordinates, score: float) -> None:
        """Take a point that was evaluated without being asked for; it may lie outside the ranges."""
        self._places.append(np.array(to_vector(switched(point), self._ranges)))
        self._scores.append(score)

    def _point(self, place: Floats) -> Coordinates:
        """The point there; a stage whose range begins where it is on stays on."""
        point = from_vector(place, self._ranges)
        on = [c for c in SWITCHING if getattr(self._ranges, c.name)[0] >= (c.off_below or 0.0) - _ROUNDING]
        kept = {c.name: max(getattr(point, c.name), c.off_below or 0.0) for c in on}
        return switched(point.model_copy(update=kept))

    def _only_free(self, places: Floats) -> Floats:
        """Inside the ranges, what is decided where it was, and what is nearly off wholly off."""
        kept = np.tile(self._usual, (len(places), 1))
        kept[:, self._free] = np.clip(places[:, self._free], 0.0, 1.0)
        for place, c in _SWITCHES.items():
            low, high = getattr(self._ranges, c.name)
            least = ((c.off_below or 0.0) - low) / (high - low)
            kept[:, place] = np.where(kept[:, place] < least, 0.0, kept[:, place])
        return kept

    def _candidates(self, leaders: Floats) -> Floats:
        """Small moves around the leaders, each with a stage switched off, and points from anywhere."""
        random, count = self._random, len(NAMES)
        drawn = []
        for leader in leaders:
            for step in _STEPS:
                moves = random.random((_MOVES, count)) < _MOVED
                moves[np.arange(_MOVES), random.integers(count, size=_MOVES)] = True
                drawn.append(leader + step * random.standard_normal((_MOVES, count)) * moves)
            for name in removable(self._point(np.clip(leader, 0.0, 1.0)), self._decisions):
                without = leader[None].copy()
                without[0, NAMES.index(name)] = 0.0
                drawn.append(without)
        anywhere = random.random((_ANYWHERE, count))
        for place in _SWITCHES:
            anywhere[:, place] *= random.random(_ANYWHERE) < _STAYS_ON
        return self._only_free(np.concatenate((*drawn, anywhere)))

    def _most_promising(self, model: Surrogate, candidates: Floats, best: float) -> Floats:
        """The candidate of the most expected improvement, moved a little where that promises more."""
        improvement = _expected_improvement(model, candidates, best)
        at = int(np.argmax(improvement))
        here, most = np.asarray(candidates[at]), float(improvement[at])
        for step in _FINER:
            moves = self._random.random((_FINE_MOVES, len(NAMES))) < 0.5
            near = self._only_free(here + step * self._random.standard_normal(moves.shape) * moves)
            improvement = _expected_improvement(model, near, best)
            at = int(np.argmax(improvement))
            if improvement[at] > most:
                here, most = np.asarray(near[at]), float(improvement[at])
        return here


def _expected_improvement(model: Surrogate, places: Floats, best: float) -> Floats:
    mean, deviation = model.expect(features(places))
    ahead = (best - mean) / deviation
    density = np.exp(-0.5 * ahead**2) / math.sqrt(2.0 * math.pi)
    below = 0.5 * (1.0 + _erf(ahead / math.sqrt(2.0)))
    return np.asarray(np.round(deviation * (ahead * below + density), _DECIMALS))
