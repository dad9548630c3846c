"""What is said of the price of distortion is what the formula of the score gives."""

import math
import re

import pytest

from autochain.config import read_config
from autochain.resources import resource
from autochain.search.costs import NO_COSTS, terms
from autochain.sheet.words import COST_COLUMNS, COSTS, DISTORTION_PRICE

DEFAULT = resource("configs", "default.toml").read_text(encoding="utf-8")


def price(nmr_db):
    """Points of a chain that adds nothing but distortion, at a weight of 1."""
    costs = type(NO_COSTS)(**{**NO_COSTS.as_dict(), "added_distortion_nmr_db": nmr_db})
    return terms(costs, read_config().weights.model_copy(update={"added_distortion_nmr_db": 1.0}))[
        "added_distortion_nmr_db"
    ]


def told(text):
    """Points by dB, as a sentence tells them."""
    return {float(db): float(points) for points, db in re.findall(r"([\d.]+) points at\s+#?\s*(-\d+) dB", text)}


@pytest.mark.parametrize("text", [DISTORTION_PRICE, COST_COLUMNS, DEFAULT])
def test_the_points_that_are_told_are_those_of_the_formula(text):
    found = told(text)
    # closed form of the smooth knee at -20 dB: 10 log10(1 + 10^((x + 20) / 10))
    assert found.keys() == {-30.0, -20.0, -15.0, -10.0}
    for db, points in found.items():
        assert points == pytest.approx(10.0 * math.log10(1.0 + 10.0 ** ((db + 20.0) / 10.0)), abs=0.05)
        assert points == pytest.approx(price(db), abs=0.05)


def test_above_the_knee_a_decibel_is_nearly_a_point_and_below_it_quickly_less():
    assert 0.9 < price(-9.0) - price(-10.0) < 1.0
    assert price(-30.0) - price(-31.0) < 0.15


def test_nothing_is_called_free_or_counted_from_a_level_on():
    for text in (COST_COLUMNS, *(meaning for *_, meaning in COSTS.values()), DEFAULT):
        assert "is free" not in text
        assert "counts above" not in text
