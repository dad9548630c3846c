"""The fit of paired comparisons: against a published one, against its own slopes, against the exact posterior."""

import math

import numpy as np
import pytest
import scipy.optimize
import scipy.special

from autochain.taste.fit import LEVEL_SD, TERM_SD, Posterior, Prior, Slopes, fit

# Games won in a season of baseball by the team of the row from that of the column, and the strengths and standard
# errors that the model of Bradley and Terry was given, the last team's strength being 0. A. Agresti, Categorical Data
# Analysis, 2nd ed. (Wiley 2002), section 10.6, and H. Turner and D. Firth, Bradley-Terry Models in R, Journal of
# Statistical Software 48 (2012), No. 9, section 2.2; both from memory. That the fit meets them to the fourth digit says
# that they are remembered rightly. Teams have letters here.
WON = np.array(
    [
        # A  B  C  D  E  F   G
        [0, 7, 9, 7, 7, 9, 11],
        [6, 0, 7, 5, 11, 9, 9],
        [4, 6, 0, 7, 7, 8, 12],
        [6, 8, 6, 0, 6, 7, 10],
        [6, 2, 6, 7, 0, 7, 12],
        [4, 4, 5, 6, 6, 0, 6],
        [2, 4, 1, 3, 1, 7, 0],
    ]
)
STRENGTHS = np.array([1.5814, 1.4364, 1.2945, 1.2476, 1.1077, 0.6839])
ERRORS = np.array([0.3433, 0.3396, 0.3367, 0.3359, 0.3339, 0.3319])
VAGUE = Prior(term_sd=30.0, level_sd=30.0)


def slopes(unknowns, rows, precision) -> Slopes:
    ones = np.ones(len(rows))
    return Posterior(differences=rows, worth=ones, precision=precision, mode=unknowns).at(unknowns)


def listener(rng, times, choices, points=2.0, sureness=1.0):
    """Choices of somebody whose weights are `times` the defaults, between versions that differ at random."""
    rows = rng.normal(0.0, points, (choices, len(times)))
    other = rng.random(choices) < scipy.special.expit(sureness * rows @ np.asarray(times))
    return np.where(other[:, None], -rows, rows)


def test_a_published_table_is_fitted_as_it_was():
    games = [
        (won, lost)
        for won in range(7)
        for lost in range(7)
        for _ in range(WON[won, lost])
    ]  # fmt: skip
    assert len(games) == 21 * 13
    rows = np.zeros((len(games), 7))
    for row, (won, lost) in zip(rows, games, strict=True):
        row[lost], row[won] = 1.0, -1.0  # here less is better
    found = fit(rows, VAGUE)
    strengths = np.exp(found.mode)
    # Any common strength can be added: none of it is in the table. The prior on logarithms is all that holds it.
    assert strengths[:-1] - strengths[-1] == pytest.approx(STRENGTHS, abs=2e-3)
    turn = np.hstack([np.diag(strengths[:-1]), np.full((6, 1), -strengths[-1])])
    errors = np.sqrt(np.diag(turn @ found.covariance @ turn.T))
    assert errors == pytest.approx(ERRORS, abs=2e-3)


@pytest.mark.parametrize("seed", range(5))
def test_slopes_are_those_of_finite_differences(seed):
    rng = np.random.default_rng(seed)
    rows, at = rng.normal(0.0, 3.0, (25, 4)), rng.normal(0.0, 0.7, 4)
    precision, step = Prior().precision(4), 1e-5
    here = slopes(at, rows, precision)

    def moved(term, by):
        return slopes(at + by * np.eye(4)[term], rows, precision)

    for term in range(4):
        more, less = moved(term, step), moved(term, -step)
        assert here.gradient[term] == pytest.approx((more.value - less.value) / (2.0 * step), rel=1e-6, abs=1e-6)
        assert here.curvature[term] == pytest.approx((more.gradient - less.gradient) / (2.0 * step), rel=1e-5, abs=1e-5)


def test_the_value_is_the_logistic_likelihood_with_a_normal_prior():
    rng = np.random.default_rng(1)
    rows, at = rng.normal(0.0, 1.0, (12, 3)), rng.normal(0.0, 0.5, 3)
    covariance = TERM_SD**2 * np.eye(3) + LEVEL_SD**2
    likelihood = -np.log(scipy.special.expit(-rows @ np.exp(at))).sum()
    assert slopes(at, rows, Prior().precision(3)).value == pytest.approx(
        likelihood + 0.5 * at @ np.linalg.solve(covariance, at)
    )


@pytest.mark.parametrize("seed", range(6))
def test_no_other_start_leads_lower(seed):
    rng = np.random.default_rng(seed)
    rows = listener(rng, np.exp(rng.normal(0.0, 1.0, 5)), 30, sureness=10.0 ** rng.uniform(-1.0, 0.5))
    found, precision = fit(rows), Prior().precision(5)
    lowest = slopes(found.mode, rows, precision)
    assert np.abs(lowest.gradient).max() < 1e-6
    assert np.linalg.eigvalsh(lowest.curvature)[0] > 0.0
    for start in rng.normal(0.0, 2.0, (8, 5)):
        other = scipy.optimize.minimize(lambda at: slopes(at, rows, precision).value, start)
        assert other.fun > lowest.value - 1e-6


def exact(rows, prior, term, probabilities, reach=7.0, places=561):
    """Quantiles of what is told of one of two weights, added up on a grid."""
    side = np.linspace(-reach, reach, places)
    first, second = (one.ravel() for one in np.meshgrid(side, side, indexing="ij"))
    unknowns = np.stack([first, second], axis=1)
    total = np.exp(unknowns) @ rows.T
    precision = prior.precision(2)
    log = -np.logaddexp(0.0, total).sum(axis=1) - 0.5 * np.einsum("ij,jk,ik->i", unknowns, precision, unknowns)
    mass = np.exp(log - log.max())
    shares = np.abs(rows).mean(axis=0) / np.abs(rows).mean(axis=0).sum()
    told = unknowns[:, term] - np.log(np.exp(unknowns) @ shares)
    order = np.argsort(told)
    return np.interp(probabilities, np.cumsum(mass[order]) / mass.sum(), told[order])


@pytest.mark.parametrize(
    ("seed", "times", "choices", "sureness"),
    [
        (1, (1.0, 1.0), 20, 1.0),
        (2, (3.0, 1.0), 40, 1.0),
        (3, (1.0, 0.2), 40, 0.3),
        (4, (1.0, 0.0), 100, 2.0),  # does not mind the second at all: the posterior leans far to one side
        (5, (1.0, 1.0), 20, 0.0),  # tosses a coin
    ],
)
def test_intervals_are_those_of_the_exact_posterior(seed, times, choices, sureness):
    rows = listener(np.random.default_rng(seed), times, choices, sureness=sureness)
    rows[:, 0] *= 2.5  # shares unlike each other
    probabilities = (0.025, 0.5, 0.975)
    for term in range(2):
        marginal = fit(rows).marginal(term)
        found = [marginal.quantile(p) for p in probabilities]
        # A twentieth of a standard deviation of the prior: no digit of a sentence hangs on less.
        assert found == pytest.approx(exact(rows, Prior(), term, probabilities), abs=0.05 * TERM_SD)


def test_the_curvature_at_the_mode_alone_would_be_too_sure():
    rows = listener(np.random.default_rng(4), (1.0, 0.0), 100, sureness=2.0)
    found = fit(rows)
    low, high = exact(rows, Prior(), 1, (0.025, 0.975))
    lean = np.array([0.0, 1.0]) - found.shares * np.exp(found.mode) / (found.shares @ np.exp(found.mode))
    by_curvature = 2.0 * 1.96 * math.sqrt(lean @ found.covariance @ lean)
    assert by_curvature < 0.9 * (high - low)
    marginal = found.marginal(1)
    assert marginal.quantile(0.975) - marginal.quantile(0.025) == pytest.approx(high - low, rel=0.03)


def test_the_order_of_choices_and_of_costs_changes_nothing():
    rng = np.random.default_rng(7)
    rows = listener(rng, (2.0, 1.0, 0.5, 1.0), 40)
    other = rng.permutation(4)
    shuffled = rows[rng.permutation(len(rows))][:, other]
    one, two = fit(rows), fit(shuffled)
    for place, term in enumerate(other):
        found = (one.marginal(term), two.marginal(place))
        assert found[0].quantile(0.1) == pytest.approx(found[1].quantile(0.1), abs=1e-4)


def test_a_choice_made_twice_for_half_is_a_choice():
    rows = listener(np.random.default_rng(5), (2.0, 1.0, 0.5), 30)
    twice = np.concatenate([rows, rows[:10]])
    worth = np.concatenate([np.full(10, 0.5), np.ones(20), np.full(10, 0.5)])
    assert fit(twice, worth=worth).mode == pytest.approx(fit(rows).mode, abs=1e-6)
    assert fit(twice).mode != pytest.approx(fit(rows).mode, abs=1e-3)


def test_many_choices_tell_the_weights():
    times = np.array([2.0, 0.5, 1.0])
    rows = listener(np.random.default_rng(8), times, 4000, points=1.0)
    found = fit(rows)
    told = [found.marginal(term).quantile(0.5) for term in range(3)]
    assert told == pytest.approx(np.log(times / (found.shares @ times)), abs=0.1)


def test_how_surely_somebody_chooses_is_no_weight():
    times = np.array([2.0, 0.5, 1.0])
    for sureness in (0.3, 3.0):
        rows = listener(np.random.default_rng(9), times, 4000, points=1.0, sureness=sureness)
        found = fit(rows)
        assert found.marginal(0).quantile(0.5) == pytest.approx(math.log(2.0 / (found.shares @ times)), abs=0.15)


@pytest.mark.parametrize("points", [1e-6, 1e4])
def test_differences_beyond_all_measure_are_fitted(points):
    rows = listener(np.random.default_rng(3), (1.0, 1.0, 1.0), 30, points=points)
    found = fit(rows).marginal(0)
    assert np.all(np.isfinite(found.at))
    assert found.quantile(0.025) < found.quantile(0.5) < found.quantile(0.975)


@pytest.mark.parametrize("kind", ["always better", "always worse", "one direction", "as large as a file allows"])
def test_strange_choices_are_fitted(kind):
    rng = np.random.default_rng(2)
    rows = rng.normal(0.0, 3.0, (25, 5))
    rows = {
        "always better": -np.abs(rows),
        "always worse": np.abs(rows),
        "one direction": np.outer(rows[:, 0], rows[0]),
        "as large as a file allows": 1000.0 * np.sign(rows),
    }[kind]
    found = fit(rows)
    for term in range(5):
        marginal = found.marginal(term)
        assert np.all(np.diff(marginal.below) >= 0.0)
        low, middle, high = (marginal.quantile(p) for p in (0.025, 0.5, 0.975))
        assert -10.0 < low < middle < high < 10.0
