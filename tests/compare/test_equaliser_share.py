"""How much of a planned equaliser a bounce holds."""

import numpy as np
import pytest

from autochain.compare.equaliser_share import equaliser_shares
from autochain.measure.band_changes import BandChange


def bands(changes, unheard=()):
    return tuple(
        BandChange(
            nominal_hz=100.0 * 2.0**k, mix_db=-20.0, mix_mid_db=-20.0, change_db=change, mid_change_db=change,
            side_change_db=None, heard=k not in unheard, width_change_db=None,
        )
        for k, change in enumerate(changes)
    )  # fmt: skip


def test_the_share_of_a_curve_is_what_was_mixed_in():
    rng = np.random.default_rng(1)
    curve, planned = rng.normal(0.0, 1.0, 24), rng.normal(0.0, 2.0, 24)
    for share in (-1.0, -0.5, 0.0, 1.0):
        # closed form: the difference is share times the curve, a constant and a slope per octave
        bounce = planned + share * curve + 0.7 + 0.1 * np.arange(24)
        found = equaliser_shares({"tone": bands(curve)}, bands(planned), bands(bounce))["tone"]
        assert found.share == pytest.approx(1.0 + share, abs=1e-9)
        assert (found.left_out, found.in_part, found.twice) == (share == -1.0, share == -0.5, share == 1.0)


def test_nothing_is_said_of_a_curve_that_explains_nothing_or_bends_too_little():
    rng = np.random.default_rng(2)
    curve, planned = rng.normal(0.0, 1.0, 24), rng.normal(0.0, 2.0, 24)
    other = equaliser_shares({"tone": bands(curve)}, bands(planned), bands(planned + rng.normal(0.0, 2.0, 24)))["tone"]
    assert (other.left_out, other.in_part, other.twice) == (False, False, False)
    assert equaliser_shares({"tone": bands(0.01 * curve)}, bands(planned), bands(planned - 0.01 * curve)) == {}
