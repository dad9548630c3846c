"""Weights from paired choices: the model of Bradley and Terry on the points of score by which two versions differ.

Of two versions the one is chosen with the probability ``1 / (1 + exp(s sum_k f_k d_k))``, where ``d_k`` are the points
that cost ``k`` adds to the chosen one less those that it adds to the other, at the default weights, ``f_k > 0`` is how
many times its default a weight is, and ``s > 0`` how surely a point decides. With ``f_k = exp(t_k)`` and ``s`` in the
``t_k`` there are as many unknowns as costs:

- Prior: ``t_k`` normal around a common level, which is normal around 0. A weight is as likely twice its default as
  half of it, and none can turn negative; that is why the logarithm. The common level is ``s``, a nuisance.
- What is told of a weight is ``c_k = t_k - log sum_j q_j exp(t_j)``, where ``q_j`` is the share that cost ``j`` has in
  all points by which the versions differed. So all costs together keep their points, and ``s`` falls out.
- The mode by Newton's method. On a logarithmic scale the posterior leans: far down, a weight changes nothing any more.
  So the interval of each ``c_k`` comes from its own marginal density by Laplace's approximation, not from the curvature
  at the mode: at every ``c_k`` the other unknowns are set to their mode and integrated by the curvature there.

Sources: R. A. Bradley and M. E. Terry, Rank analysis of incomplete block designs, Biometrika 39 (1952), 324-345;
L. Tierney and J. B. Kadane, Accurate approximations for posterior moments and marginal densities, Journal of the
American Statistical Association 81 (1986), 82-86.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

Floats = npt.NDArray[np.float64]

# Standard deviations. A weight is twice its default or half of it; a point of score decides 56 to 98 of 100 choices.
# Limits of this project.
TERM_SD = math.log(2.0)
LEVEL_SD = math.log(4.0)

_STEP = 0.2  # between two values of a marginal, natural logarithm of a weight
_NEGLIGIBLE = 11.0  # a density so much smaller, as a natural logarithm, than its largest
_FINE = 20  # values a step in which the marginal is added up
_STARTS = (0.0, -2.0, 2.0)  # common levels from which the mode is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is held of the weights before any choice, as natural logarithms: spread of each, and of their level."""

    term_sd: float = TERM_SD
    level_sd: float = LEVEL_SD

    def precision(self, terms: int) -> Floats:
        """Inverse of the covariance, shape (terms, terms)."""
        covariance = self.term_sd**2 * np.eye(terms) + self.level_sd**2
        return np.asarray(np.linalg.inv(covariance), dtype=np.float64)


class Slopes(NamedTuple):
    """A function of several variables at one place: its value, gradient and matrix of second derivatives."""

    value: float
    gradient: Floats
    curvature: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """What choices say of the weights.

    Attributes
    ----------
    differences
        Points of score at the default weights by which the chosen version differs from the other, shape (choices,
        terms).
    worth
        How much each choice counts, 1 for a whole one, shape (choices,).
    precision
        Of the prior, shape (terms, terms).
    mode
        The most likely unknowns ``t``, shape (terms,).
    """

    differences: Floats
    worth: Floats
    precision: Floats
    mode: Floats

    def at(self, unknowns: Floats) -> Slopes:
        """What is smallest at the mode: minus the logarithm of the density of the ``t_k``, to within a constant."""
        points = self.differences * np.exp(unknowns)
        total = points.sum(axis=1)
        against = 0.5 * (1.0 + np.tanh(0.5 * total))  # probability of the version that was not chosen
        pull = self.precision @ unknowns
        likely = points.T @ (self.worth * against)
        return Slopes(
            value=float(self.worth @ np.logaddexp(0.0, total) + 0.5 * unknowns @ pull),
            gradient=likely + pull,
            curvature=(points.T * (self.worth * against * (1.0 - against))) @ points
            + np.diag(likely)
            + self.precision,
        )

    @property
    def shares(self) -> Floats:
        """Share of every term in all points by which the versions differed, shape (terms,)."""
        points = self.worth @ np.abs(self.differences)
        return np.asarray(points / points.sum())

    @property
    def covariance(self) -> Floats:
        """Of the unknowns by the curvature at the mode, shape (terms, terms)."""
        return np.asarray(np.linalg.inv(self.at(self.mode).curvature), dtype=np.float64)

    def marginal(self, term: int) -> "Marginal":
        """Density of what is told of a term, ``c_k``."""
        return _marginal(self, term)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marginal:
    """Distribution of one weight, as the natural logarithm of how many times its default it is.

    Attributes
    ----------
    at
        Values from low to high.
    below
        Probability of less, 0 to 1.
    """

    at: Floats
    below: Floats

    def quantile(self, probability: float) -> float:
        """The value that is not reached with a probability."""
        return float(np.interp(probability, self.below, self.at))


def fit(differences: Floats, prior: Prior | None = None, worth: Floats | None = None) -> Posterior:
    """Find the most likely weights.

    Parameters
    ----------
    differences
        Points of score at the default weights by which the chosen version differs from the other, shape (choices,
        terms). In each term some choice differs.
    prior
        What is held before any choice.
    worth
        How much each choice counts, over 0, shape (choices,); 1 without it.
    """
    choices, terms = differences.shape
    posterior = Posterior(
        differences=differences,
        worth=np.ones(choices) if worth is None else worth,
        precision=(prior or Prior()).precision(terms),
        mode=np.zeros(terms),
    )
    found = [minimised(posterior.at, np.full(terms, start)) for start in _STARTS]
    return replace(posterior, mode=min(found, key=lambda unknowns: posterior.at(unknowns).value))


def minimised(at: Callable[[Floats], Slopes], start: Floats) -> Floats:
    """Newton's method, shortened (Levenberg, Marquardt) until every step leads down."""
    place, here, damping = start, at(start), 1e-5
    for _ in range(200):
        if np.abs(here.gradient).max() < 1e-7:
            break
        lowest = float(np.linalg.eigvalsh(here.curvature)[0])
        bent = here.curvature + max(0.0, 1e-3 - lowest) * np.eye(len(place))
        while damping < 1e9:
            moved = place - np.linalg.solve(bent + damping * np.eye(len(place)), here.gradient)
            if np.abs(moved).max() < 50.0 and (there := at(moved)).value < here.value:
                place, here, damping = moved, there, damping / 10.0
                break
            damping *= 10.0
        else:  # no step leads down any more
            break
    return place


def _marginal(posterior: Posterior, term: int) -> Marginal:
    """Walk along one weight against all others together, which has no ends, from the mode to both sides."""
    own, mode = posterior.shares[term], np.delete(posterior.mode, term)
    shares = np.delete(posterior.shares, term)
    keeps = np.delete(np.eye(len(shares) + 1), term, axis=1)

    def log_density(against_others: float, start: Floats) -> tuple[float, Floats]:
        def at(others: Floats) -> Slopes:
            points = shares * np.exp(others)
            unknowns = keeps @ others
            unknowns[term] = against_others + math.log(points.sum())
            whole = posterior.at(unknowns)
            lean = points / points.sum()
            turn = keeps.copy()
            turn[term] = lean
            bend = whole.gradient[term] * (np.diag(lean) - np.outer(lean, lean))
            return Slopes(whole.value, whole.gradient @ turn, turn.T @ whole.curvature @ turn + bend)

        others = minimised(at, start)
        there = at(others)
        return -there.value - 0.5 * float(np.linalg.slogdet(there.curvature)[1]), others

    middle = float(posterior.mode[term] - np.log(shares @ np.exp(mode)))
    density, _ = log_density(middle, mode)
    found = {middle: density}
    for step in (_STEP, -_STEP):
        value, density, others = middle, found[middle], mode
        while density > max(found.values()) - _NEGLIGIBLE:
            value += step
            density, others = log_density(value, others)
            found[value] = density
    at = np.array(sorted(found))
    fine = np.linspace(at[0], at[-1], _FINE * len(at))
    density_of = CubicSpline(at, [found[one] - max(found.values()) for one in at])
    below = np.cumsum(np.exp(density_of(fine)))
    return Marginal(at=fine - np.log1p(own * np.exp(fine)), below=(below - below[0]) / (below[-1] - below[0]))
