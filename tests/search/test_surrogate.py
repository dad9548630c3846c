"""The model of the score is the Gaussian process that the textbook says: checked against scipy's own distributions."""

import numpy as np
import pytest
from scipy import special, stats
from scipy.spatial.distance import cdist

from autochain.config.coordinates import NAMES
from autochain.search.surrogate import _SPREAD, _USUAL_LENGTHS, Surrogate, features

SIZE = len(NAMES)


def matern(one, other, lengths, nu=2.5):
    """General Matern covariance by Bessel functions (Rasmussen and Williams 2006, equation 4.14)."""
    scaled = np.sqrt(2.0 * nu) * cdist(one / lengths, other / lengths)
    safe = np.where(scaled > 0.0, scaled, 1.0)
    value = 2.0 ** (1.0 - nu) / special.gamma(nu) * safe**nu * special.kv(nu, safe)
    return np.where(scaled > 0.0, value, 1.0)


@pytest.fixture(scope="module")
def known():
    random = np.random.default_rng(7)
    places = random.random((30, SIZE))
    return places, np.sin(3.0 * places[:, 3]) + places[:, 9] ** 2 - 0.5 * places[:, 6]


def test_expectations_are_those_of_the_conditioned_normal_distribution(known):
    """Posterior mean and variance at new points by conditioning the joint normal distribution (2.25 and 2.26)."""
    places, values = known
    model = Surrogate(noise=0.1).fit(places, values, sweeps=0)
    fresh = np.random.default_rng(8).random((12, SIZE))
    own = matern(places, places, model.lengths) + 0.1**2 * np.eye(len(places))
    across = matern(fresh, places, model.lengths)
    ones = np.linalg.solve(own, np.ones(len(places)))
    mean = float(ones @ values / ones.sum())  # generalised least squares
    rest = np.linalg.solve(own, values - mean)
    scale = float((values - mean) @ rest) / len(values)
    expected, deviation = model.expect(fresh)
    assert expected == pytest.approx(mean + across @ rest, abs=1e-9)
    variance = scale * (1.0 - np.einsum("ij,ji->i", across, np.linalg.solve(own, across.T)))
    assert deviation == pytest.approx(np.sqrt(variance), rel=1e-6)


def test_lengths_are_chosen_by_the_likelihood_of_the_values(known):
    """What a fit gains in likelihood is what scipy's multivariate normal density says, less what lengths cost."""
    places, values = known

    def density(model):
        own = matern(places, places, model.lengths) + model.noise**2 * np.eye(len(places))
        ones = np.linalg.solve(own, np.ones(len(places)))
        mean = float(ones @ values / ones.sum())
        scale = float((values - mean) @ np.linalg.solve(own, values - mean)) / len(values)
        logpdf = stats.multivariate_normal.logpdf(values, np.full(len(values), mean), scale * own)
        return logpdf + stats.norm.logpdf(np.log(model.lengths), np.log(_USUAL_LENGTHS), _SPREAD).sum()

    before, after = Surrogate().fit(places, values, sweeps=0), Surrogate().fit(places, values, sweeps=6)
    assert density(after) > density(before) + 5.0
    # What the values do not depend on gets the longer lengths.
    used = [3, 6, 9]
    unused = [place for place in range(SIZE) if place not in used]
    assert after.lengths[used].max() < np.median(after.lengths[unused])


def test_a_stage_left_out_makes_its_settings_one_point():
    off = np.full((2, SIZE), 0.4)
    off[:, NAMES.index("bus_work_db")] = 0.0
    off[1, NAMES.index("bus_attack_ms")] = 0.9
    assert np.array_equal(*features(off))
    on = off.copy()
    on[:, NAMES.index("bus_work_db")] = 0.5
    assert not np.array_equal(*features(on))


def test_one_value_everywhere_is_expected_everywhere():
    places = np.random.default_rng(1).random((5, SIZE))
    expected, _ = Surrogate().fit(places, np.full(5, 2.5)).expect(places + 0.05)
    assert expected == pytest.approx(np.full(5, 2.5))


def test_a_model_without_points_says_so():
    with pytest.raises(ValueError, match="no points"):
        Surrogate().expect(np.zeros((1, SIZE)))
