"""Runs of bands that moved alike."""

import numpy as np
import pytest

from autochain.compare.course import gain_course_db
from autochain.compare.curve_share import curve_shares
from autochain.measure.band_changes import BandChange, regions


def bands(changes, unheard=()):
    return tuple(
        BandChange(
            nominal_hz=100.0 * 2.0**k, mix_db=-20.0, mix_mid_db=-20.0, change_db=change, mid_change_db=change,
            side_change_db=None, heard=k not in unheard, width_change_db=None,
        )
        for k, change in enumerate(changes)
    )  # fmt: skip


def spans(changes, **more):
    found = regions(bands(changes, **more), lambda band: band.change_db, 0.5)
    return [(one.low_hz, one.high_hz, round(one.mean_db, 3)) for one in found]


def test_neighbours_of_one_sign_are_one_region_and_a_quiet_or_small_band_ends_it():
    assert spans([0.0, 1.0, 2.0, 0.1, -1.0, -0.6]) == [(200.0, 400.0, 1.5), (1600.0, 3200.0, -0.8)]
    assert spans([1.0, -1.0]) == [(100.0, 100.0, 1.0), (200.0, 200.0, -1.0)]
    assert spans([1.0, 1.0, 1.0], unheard=(1,)) == [(100.0, 100.0, 1.0), (400.0, 400.0, 1.0)]
    assert spans([None, 0.49]) == []


def test_the_share_of_a_curve_is_what_was_mixed_in():
    rng = np.random.default_rng(1)
    curve, planned = rng.normal(0.0, 1.0, 24), rng.normal(0.0, 2.0, 24)
    for share in (-1.0, -0.5, 0.0, 1.0):
        # closed form: the difference is share times the curve, a constant and a slope per octave
        bounce = planned + share * curve + 0.7 + 0.1 * np.arange(24)
        found = curve_shares({"tone": bands(curve)}, bands(planned), bands(bounce))["tone"]
        assert found.share == pytest.approx(1.0 + share, abs=1e-9)
        assert (found.left_out, found.in_part, found.twice) == (share == -1.0, share == -0.5, share == 1.0)


def test_nothing_is_said_of_a_curve_that_explains_nothing_or_bends_too_little():
    rng = np.random.default_rng(2)
    curve, planned = rng.normal(0.0, 1.0, 24), rng.normal(0.0, 2.0, 24)
    other = curve_shares({"tone": bands(curve)}, bands(planned), bands(planned + rng.normal(0.0, 2.0, 24)))["tone"]
    assert (other.left_out, other.in_part, other.twice) == (False, False, False)
    assert curve_shares({"tone": bands(0.01 * curve)}, bands(planned), bands(planned - 0.01 * curve)) == {}


def test_a_gain_course_is_the_gain_less_its_median():
    reference = np.full(300, 1e-3)
    reference[100:110] = 1e-9  # 60 dB down: tells nothing
    gain_db = np.where(np.arange(300) < 40, -3.0, 2.0)
    course = gain_course_db(reference, reference * 10.0 ** (gain_db / 10.0))
    expected = np.where(reference > 1e-6, gain_db - 2.0, 0.0)
    assert course == pytest.approx(expected, abs=1e-9)
