"""One excerpt first, the rest where it may be worth it."""

import dataclasses

import pytest

from autochain.audio.files import read_mix
from autochain.config import read_config
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix
from autochain.search.staged import Known
from autochain.solve.excerpts import Span, first_excerpt
from autochain.solve.solved import Guess


def searched(mix, plan, **search):
    config = read_config(plan, {"target": {"lufs": -9.0}, "search": {"budget": 30, **search}})
    ready = MeasuredMix.of(SearchRequest(mix=mix, config=config), RunOptions(jobs=2)).ready()
    reached = ready.reach(config.target)
    return ready.staged, reached.spent, reached.suggestion


@pytest.fixture(scope="module")
def mix(excerpts_mix):
    return read_mix(excerpts_mix)


@pytest.fixture(scope="module")
def narrow(mix, small_plan):
    return searched(mix, small_plan, first_margin=0.0)


@pytest.fixture(scope="module")
def wide(mix, small_plan):
    return searched(mix, small_plan, first_margin=1000.0, budget=16)


def test_trials_behind_on_one_excerpt_hear_no_others_and_are_never_the_best(narrow):
    _, spent, result = narrow
    pruned = [t for t in spent.done if t.pruned]
    assert len(pruned) >= 5
    assert not spent.best.pruned
    assert spent.best.score <= min(t.score for t in pruned)
    assert result.stats.trials == 30


def test_a_wide_margin_lets_every_trial_hear_everything(wide):
    assert not any(t.pruned for t in wide[1].done)


def test_a_trial_that_cannot_reach_the_first_excerpt_s_loudness_alone_hears_the_others(narrow):
    staged, spent, _ = narrow
    aims, point = spent.aims, spent.best.coordinates.model_copy(update={"clip_softness": 37.0})
    behind = Known.of(spent.done, spent.done[spent.comparable_from :], spent.best.score - 50.0, 0.0)
    asked = point, spent.binding.searched, spent.limiter_ceiling_dbtp
    assert staged.trial(*asked, aims, behind).pruned
    deaf = staged.trial(*asked, dataclasses.replace(aims, first_lufs=2.0), behind)  # louder than full scale allows
    assert deaf.solution.met
    assert not deaf.pruned
    assert deaf.first_score is None  # which would tell the next trials a wrong rest


def test_baselines_are_never_cut_short(narrow):
    assert not any(trial.pruned for _, trial in narrow[1].families)


def test_a_trial_that_heard_everything_is_as_if_it_had_at_once(wide):
    _, spent, _ = wide
    trial = spent.done[-1]  # judged at the loudness that was calibrated last
    # From its own drive: where a gating block drops out the loudness falls by 0.03 LU, and a target there has two
    # drives, 0.18 of score apart.
    target, own = trial.solution.reached_lufs, Guess(loss_db=trial.loss_db, slope=trial.solution.slope)
    closely = spent.excerpts.with_tolerance(0.004)
    again = closely.trial(trial.coordinates, spent.binding.searched, spent.limiter_ceiling_dbtp, target, own)
    assert abs(again.solution.reached_lufs - target) <= 0.004
    assert again.score == pytest.approx(trial.score, abs=0.05)


def trial_like(trial, **changes):
    return dataclasses.replace(trial, **changes)


def test_what_is_expected_of_the_rest_is_the_median_near_the_best(wide):
    model = wide[1].done[-1]
    rests = [0.3, 0.1, 0.2, 0.4, 0.25, 0.15, 0.35, 0.05, 9.0, 9.0]  # the two farthest from the best do not count
    fair = [
        trial_like(model, score=5.0 + i / 10, first_score=5.0 + i / 10 - rest, loss_db=2.0, first_loss_db=1.5)
        for i, rest in enumerate(rests)
    ]
    known = Known.of(fair, fair, 5.0, 0.1)
    assert known.rest == pytest.approx(0.225)  # median of the eight
    assert known.rest_db == pytest.approx(0.5)
    assert known.bar == pytest.approx(5.1)
    assert Known.of(fair, fair, 5.0, None).bar is None
    alone = [trial_like(t, pruned=True) for t in fair]
    assert Known.of(alone, alone, 5.0, 0.1).bar is None  # nothing says what the rest adds


def test_the_loudest_excerpt_comes_first():
    spans = [
        Span(start_hop=at, stop_hop=at + 40, preroll_hops=0, reason="", loudness_class=number)
        for at, number in ((0, 9), (40, 10), (80, 1))  # by number, where words would put 9 last
    ]
    assert first_excerpt(spans) == 1
    assert first_excerpt([spans[0], spans[2]]) == 0
    assert first_excerpt(spans[:1]) is None
