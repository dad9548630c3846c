"""What tried points let expect of others: a Gaussian process over the search's coordinates.

C. E. Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning", MIT Press 2006: posterior (2.25, 2.26),
Matern covariance with nu = 5/2 (4.17), marginal likelihood (2.30), a constant mean fitted along (2.42). Equation
numbers from memory.

Lengths lie on a grid of factors and are changed one at a time: nothing here depends on the last bit of a sum, so that
the same trials give the same model on another processor.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from autochain.config.coordinates import COORDINATES, NAMES

Floats = npt.NDArray[np.float64]

# In ranges: what is expected of a length before anything is known, and how far from it (natural log) is likely. Medians
# over searches of real recordings with odd numbers, 3 to 7 dB over gain alone.
_USUAL_LENGTHS = np.array([1.2, 5.0, 5.0, 1.5, 4.0, 4.0, 0.8, 1.3, 1.2, 3.0, 1.2, 1.2])
_SPREAD = 0.7
_STEP = 1.5
_SHORTEST, _LONGEST = 0.1, 20.0
_LEAST_NOISE, _MOST_NOISE = 0.005, 0.5
_GAIN = 1e-6  # of log likelihood: less is rounding
# A stage that does this share of its range or more is heard with all its settings; below, they matter less and less.
_WHOLLY_ON = 0.3
_GATES = {NAMES.index(used): NAMES.index(c.name) for c in COORDINATES for used in c.uses}


def features(places: Floats) -> Floats:
    """Points of the unit cube, shape (points, coordinates), as the model sees them.

    What a stage is set to is drawn to the middle as the stage does less, so that all points with the stage left out
    are one in it.
    """
    seen = np.array(places, dtype=np.float64, copy=True)
    for place, gate in _GATES.items():
        on = np.clip(places[:, gate] / _WHOLLY_ON, 0.0, 1.0)
        seen[:, place] = 0.5 + (places[:, place] - 0.5) * on
    return seen


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """A model on given points: what predictions need."""

    seen: Floats
    inverse: Floats
    mean: float
    scale: float
    weights: Floats
    likelihood: float


class Surrogate:
    """Expects values at points from values at others; both in features.

    Parameters
    ----------
    noise
        Where `noise` starts.
    prior
        A model of something alike, say the same search at another loudness: only what differs from it is learned.

    Attributes
    ----------
    lengths
        One a coordinate: over about that distance a value changes. Kept from fit to fit.
    noise
        Share of the values' spread that no coordinate explains.
    """

    def __init__(self, *, noise: float = 0.02, prior: "Surrogate | None" = None) -> None:
        self._prior = prior
        self.lengths = _USUAL_LENGTHS.copy()
        self.noise = noise
        self._solved: _Solved | None = None

    def fit(self, seen: Floats, values: Floats, sweeps: int = 1) -> Self:
        """Take points and values; each sweep tries a longer and a shorter length for every coordinate."""
        values = values - self._expected_before(seen)
        best = self._solve(seen, values)
        for _ in range(sweeps):
            for place in range(self.lengths.size):
                best = self._moved(seen, values, best, place)
            best = self._moved(seen, values, best, None)
        self._solved = best
        return self

    def with_points(self, seen: Floats, values: Floats) -> "Surrogate":
        """The same lengths on other points."""
        other = Surrogate(noise=self.noise, prior=self._prior)
        other.lengths = self.lengths
        other._solved = other._solve(seen, values - self._expected_before(seen))
        return other

    def expect(self, seen: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of what is expected at points."""
        solved = self._solved
        if solved is None:
            raise ValueError("the model has seen no points yet: call fit first")
        near = self._covariance(seen, solved.seen)
        unknown = 1.0 - ((near @ solved.inverse) * near).sum(axis=1)
        mean = self._expected_before(seen) + solved.mean + near @ solved.weights
        return mean, np.sqrt(solved.scale * np.maximum(unknown, 1e-9))

    def _expected_before(self, seen: Floats) -> Floats:
        return np.zeros(len(seen)) if self._prior is None else self._prior.expect(seen)[0]

    def _moved(self, seen: Floats, values: Floats, best: _Solved, place: int | None) -> _Solved:
        """Try one length (or the noise, None) longer and shorter; keep what explains the values better."""
        for factor in (_STEP, 1.0 / _STEP):
            lengths, noise = self.lengths, self.noise
            if place is None:
                self.noise = min(_MOST_NOISE, max(_LEAST_NOISE, noise * factor))
            else:
                self.lengths = lengths.copy()
                self.lengths[place] = min(_LONGEST, max(_SHORTEST, lengths[place] * factor))
            found = self._solve(seen, values)
            if found.likelihood > best.likelihood + _GAIN:
                return found
            self.lengths, self.noise = lengths, noise
        return best

    def _covariance(self, one: Floats, other: Floats) -> Floats:
        a, b = one / self.lengths, other / self.lengths
        squared = (a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1)[None, :] - 2.0 * (a @ b.T)
        distance = np.sqrt(5.0 * np.maximum(squared, 0.0))
        return np.asarray((1.0 + distance + distance**2 / 3.0) * np.exp(-distance))

    def _solve(self, seen: Floats, values: Floats) -> _Solved:
        count = len(values)
        covariance = self._covariance(seen, seen) + self.noise**2 * np.eye(count)
        lower = np.linalg.cholesky(covariance)
        inverse = np.asarray(np.linalg.inv(covariance), dtype=np.float64)
        ones = inverse.sum(axis=1)
        mean = float(ones @ values / ones.sum())
        rest = values - mean
        weights = np.asarray(inverse @ rest)
        scale = max(float(rest @ weights) / count, 1e-12)
        prior = -0.5 * float(((np.log(self.lengths / _USUAL_LENGTHS) / _SPREAD) ** 2).sum())
        likelihood = -0.5 * count * float(np.log(scale)) - float(np.log(np.diag(lower)).sum()) + prior
        return _Solved(seen, inverse, mean, scale, weights, likelihood)
