"""A simple chain is tuned fairly, in a few trials of its grid."""

from types import SimpleNamespace

import numpy as np
import pytest

from autochain.config import read_config
from autochain.search.baselines import (
    CLIP_AND_LIMIT,
    LIMITER_ONLY,
    TRADE_DEFAULT,
    baseline_grids,
    corners,
    most_to_tune,
    tuned,
)

PLAN = read_config().search
GRIDS = baseline_grids(PLAN.trade_default, PLAN.baselines)


def test_the_grids_hold_every_combination_and_the_trade_default():
    many = len(PLAN.baselines.release_ms) * len(PLAN.baselines.lookahead_ms)
    assert {name: len(points) for name, points in GRIDS.items()} == {
        TRADE_DEFAULT: 1, LIMITER_ONLY: many, CLIP_AND_LIMIT: many
    }  # fmt: skip
    assert all(point.clip_share == 0.0 for point in GRIDS[LIMITER_ONLY])
    assert all(point.clip_share == PLAN.baselines.clip_share for point in GRIDS[CLIP_AND_LIMIT])


@pytest.mark.parametrize("release_ms", [5.0, 15.0, 40.0, 90.0, 200.0])
@pytest.mark.parametrize("lookahead_ms", [0.5, 1.5, 6.0])
def test_the_best_of_a_bowl_over_a_grid_is_found_wherever_it_lies(release_ms, lookahead_ms):
    """The bowl's bottom (closed form) is one of fifteen points; six trials find it."""

    def bowl(point):
        away = np.log([point.limiter_release_ms / release_ms, point.limiter_lookahead_ms / lookahead_ms])
        return float(1.0 + 0.3 * away @ away)

    tried = []

    def evaluate(asked):
        trials = [SimpleNamespace(coordinates=point, score=bowl(point)) for _, point in asked]
        tried.extend(zip([family for family, _ in asked], trials, strict=True))
        return trials

    evaluate(corners(GRIDS))
    before = len(tried)
    tuned(GRIDS, tried, PLAN.ranges, evaluate)
    assert len(tried) - before == most_to_tune(GRIDS) == 6
    points = [(family, trial.coordinates) for family, trial in tried]
    assert len(set(points)) == len(points)
    for family in (LIMITER_ONLY, CLIP_AND_LIMIT):
        # One step of the grid is at least 0.19 here.
        assert min(trial.score for name, trial in tried if name == family) < 1.0 + 0.1


def test_a_search_that_is_stopped_is_asked_no_further():
    tried = [(name, SimpleNamespace(coordinates=point, score=1.0)) for name, point in corners(GRIDS)]
    asked = []
    tuned(GRIDS, tried, PLAN.ranges, lambda points: asked.append(points) or [])
    assert len(asked) == 1
