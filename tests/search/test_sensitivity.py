"""How far a setting may move: closed forms on known scores, and a real mix rendered again at the ends."""

import math

import numpy as np
import pytest

from autochain.audio.files import read_mix
from autochain.chain.chain import DEFAULT, STAGES
from autochain.chain.settings import NOTHING_SET, ChainSettings
from autochain.config import read_config
from autochain.config.coordinates import COORDINATES
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.search.evaluator import Aim, Evaluator
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix
from autochain.search.sensitivity import NEARLY, free_knobs, sensitivity
from autochain.solve.decisions import Decisions
from autochain.solve.material import Material
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess

PLAN = read_config().search
WORSE_BY = 0.25
SETTINGS = DEFAULT.checked(
    {
        "drive": {"gain_db": 6.0},
        "clipper": {"ceiling_dbfs": 1.4, "softness": 40.0},
        "limiter": {"ceiling_dbtp": -1.1, "lookahead_ms": 3.0, "release_ms": 40.0},
        "output": {},
    }
)


def knobs(settings=SETTINGS, locks=NOTHING_SET):
    return free_knobs(settings, locks, PLAN.ranges, DEFAULT)



def found_for(judge, most=45, jobs=1, worse_by=WORSE_BY, **more):
    calls = []

    def counted(settings):
        calls.append(settings)
        return judge(settings)

    found = sensitivity(counted, SETTINGS, knobs(**more), worse_by, most, RunOptions(jobs=jobs).in_parallel)
    return {(f.stage, f.parameter): f for f in found}, calls


def bowl(ceiling=0.0, release=0.0, softness=0.0, best_ceiling=1.4):
    """Score with a bowl of that curvature per dB of ceiling, per octave of release, per tenth of softness."""

    def score(s):
        octaves = math.log2(s["limiter"]["release_ms"] / 40.0)
        tenths = (s["clipper"]["softness"] - 40.0) / 10.0
        return (
            3.0
            + ceiling * (s["clipper"]["ceiling_dbfs"] - best_ceiling) ** 2
            + release * octaves**2
            + softness * tenths**2
        )

    return score


@pytest.mark.parametrize("curvature", [0.01, 0.05, 0.2, 1.0, 5.0])
def test_the_range_of_a_bowl_is_the_closed_form(curvature):
    # k d**2 = 0.25 at d = sqrt(0.25 / k), in dB to either side; the hand's steps are 0.1 dB. What worsens the score by
    # nearly as much is not followed further.
    found, _ = found_for(bowl(ceiling=curvature))
    clip = found["clipper", "ceiling_dbfs"]
    far = math.sqrt(WORSE_BY / curvature)
    parameter = STAGES["clipper"].parameter("ceiling_dbfs")
    for end, side, last in ((clip.low, -1.0, parameter.low), (clip.high, 1.0, parameter.high)):
        exact = 1.4 + side * far
        if not parameter.low < exact < parameter.high:
            assert end is None
            continue
        assert side * (exact - end) >= 0.0, (end, exact, last)
        assert side * (end - 1.4) >= math.sqrt(NEARLY) * far - 0.1 - 1e-9, (end, exact, last)
    assert clip.score_change == pytest.approx(curvature)


def test_a_time_is_followed_in_octaves():
    # 0.1 per squared octave: sqrt(2.5) octaves either way, 13.4 to 119.7 ms, and the share NEARLY of that is enough:
    # sqrt(2.125) octaves, 14.6 to 109.9 ms. A hand sets two digits.
    found, _ = found_for(bowl(release=0.1))
    release = found["limiter", "release_ms"]
    assert 14.0 <= release.low <= 15.0
    assert 100.0 <= release.high <= 110.0
    assert (release.value, release.score_change) == (40.0, pytest.approx(0.1))


def test_a_slope_is_followed_on_its_steep_side_only():
    def slope(settings):
        return max(0.0, settings["clipper"]["ceiling_dbfs"] - 1.4) * 0.2

    found, _ = found_for(slope)
    clip = found["clipper", "ceiling_dbfs"]
    assert clip.low is None
    assert 2.4 <= clip.high <= 1.4 + WORSE_BY / 0.2  # never beyond where it has worsened by so much
    assert clip.step_to == pytest.approx(2.4)


def test_a_step_that_is_too_far_already_leaves_little_room():
    found, _ = found_for(bowl(ceiling=1000.0))
    assert (found["clipper", "ceiling_dbfs"].low, found["clipper", "ceiling_dbfs"].high) == (1.4, 1.4)


def test_the_ranking_is_by_what_a_hands_step_does_and_at_most_three_are_told():
    found, _ = found_for(bowl(ceiling=0.1, release=0.3, softness=0.2))
    assert list(found) == [("limiter", "release_ms"), ("clipper", "softness"), ("clipper", "ceiling_dbfs")]


def test_a_better_place_beside_does_not_end_the_range():
    """The chain stands 0.5 dB off the bottom of its bowl: closed form of the crossing on either side."""
    found, _ = found_for(bowl(ceiling=0.2, best_ceiling=0.9))
    clip = found["clipper", "ceiling_dbfs"]
    far = math.sqrt((WORSE_BY + 0.2 * 0.25) / 0.2)
    nearly = math.sqrt((NEARLY * WORSE_BY + 0.2 * 0.25) / 0.2)
    assert 0.9 + nearly - 0.1 <= clip.high <= 0.9 + far
    assert 0.9 - far <= clip.low <= 0.9 - nearly + 0.15


@pytest.mark.parametrize("most", [10, 15, 30, 45])
def test_no_more_is_rendered_than_allowed(most):
    found, calls = found_for(bowl(ceiling=0.01, release=0.01, softness=0.01), most)
    assert len(calls) <= most
    assert len(found) == 3


def test_too_few_renders_for_a_step_of_every_setting_say_nothing():
    found, calls = found_for(bowl(ceiling=0.1), 9)
    assert (found, calls) == ({}, [])


def test_jobs_change_nothing():
    assert found_for(bowl(ceiling=0.1, release=0.3))[0] == found_for(bowl(ceiling=0.1, release=0.3), jobs=3)[0]


def test_one_setting_moves_at_a_time_and_what_is_locked_stays():
    locks = ChainSettings({"clipper": {"ceiling_dbfs": 1.4}})
    _, calls = found_for(bowl(ceiling=0.1, release=0.3), locks=locks)
    for settings in calls:
        moved = [(stage, n) for stage, own in settings.items() for n, v in own.items() if v != SETTINGS.value(stage, n)]
        assert len(moved) <= 1
        assert moved != [("clipper", "ceiling_dbfs")]


def test_every_setting_of_the_search_is_a_knob_and_nothing_else():
    full = DEFAULT.checked({name: {} for name in DEFAULT.stages})
    full = full.with_("limiter", release_ms=100.0).with_("bus_compressor", release_ms=100.0)
    named = {knob.name for knob in knobs(full)}
    assert named == {coordinate.place for coordinate in COORDINATES}


@pytest.fixture(scope="module")
def searched(excerpts_mix, sensing_plan):
    config = read_config(sensing_plan, {"target": {"lufs": -9.0, "ceiling_dbtp": -1.0}, "search": {"budget": 14}})
    request = SearchRequest(mix=read_mix(excerpts_mix), config=config)
    return MeasuredMix.of(request, RunOptions(jobs=2)).ready().reach(config.target)


def test_the_range_of_a_real_mix_holds_when_its_ends_are_rendered_again(searched):
    found = searched.suggestion
    # A second evaluator, its material cut anew, its drives solved from nowhere near.
    config, chosen = found.config, found.chosen
    chain = config.chain_plan
    start = chain.render(found.mix.samples, found.mix.rate_hz, chosen.settings, stages=chain.leading).samples
    hops = weighted_hops(start, found.mix.rate_hz)
    material = Material(start, found.mix.rate_hz, hops, integrated_lufs(hops), found.spans)
    tolerance_lu = 0.004
    drive = config.search.drive.model_copy(update={"tolerance_lu": tolerance_lu})
    evaluator = Evaluator(material, config.weights, drive, chain)
    target = searched.spent.aim.lufs

    def score_at(stage=None, parameter=None, value=None, target=target):
        settings = chosen.settings if stage is None else chosen.settings.with_(stage, {parameter: value})
        solved = evaluator.solve(only_drive_left(settings, Decisions()), target, Guess())
        return evaluator.price(solved, Aim(lufs=target)).score

    base = score_at()
    assert 1 <= len(found.sensitivity) <= 3
    # Two differences of two scores. Here each drive is solved within the tolerance, at what a LU costs; what is told
    # by what a LU costs the chain, of 0.01 LU, is known within 0.03 points.
    per_lu = (score_at(target=target + 0.5) - score_at(target=target - 0.5)) / 1.0
    assert per_lu > 0.0
    solved = 2.0 * tolerance_lu * per_lu + 0.03
    assert solved < 0.5 * config.search.sensitivity_score  # or nothing would be said by holding it
    ends = 0
    for told in found.sensitivity:
        assert chosen.settings[told.stage][told.parameter] == told.value
        assert score_at(told.stage, told.parameter, told.step_to) - base == pytest.approx(
            told.score_change,
                # Where a step costs many points, a LU costs more there than at the chosen chain: printed is a tenth.
                abs=solved + 0.03 * abs(told.score_change),
        )
        for end in (told.low, told.high):
            if end is not None:
                ends += 1
                assert score_at(told.stage, told.parameter, end) - base <= config.search.sensitivity_score + solved
    assert ends > 0
    changes = [told.score_change for told in found.sensitivity]
    assert changes == sorted(changes, reverse=True)
    assert np.all(np.isfinite(changes))
