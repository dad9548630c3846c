"""Tools unlike ours: what they do, against closed forms; who leads; what a chain costs there, solved once more."""

import math
from functools import partial

import numpy as np
import pytest

from autochain.audio.files import read_mix
from autochain.chain.chain import DEFAULT, STAGES
from autochain.chain.gain_control import GainComputer
from autochain.chain.settings import ChainSettings
from autochain.chain.sidechain import Sidechain
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.search.costs import NO_COSTS
from autochain.search.evaluator import Aim, Evaluator, Trial
from autochain.search.other_hands import OtherHands, as_set_by, leaders, loss, missed, suited
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix
from autochain.search.strangers import ASKED, STRANGERS
from autochain.solve.decisions import Decisions
from autochain.solve.drive import Solution
from autochain.solve.excerpts import Span
from autochain.solve.material import Material
from autochain.solve.solved import Guess
from autochain.solve.work import work_db
from autochain.threads import in_threads

RATE = 44100
CONFIG = read_config()
PLAN = CONFIG.search
STRANGER = {stranger.name: stranger for stranger in STRANGERS}
FULL = DEFAULT.checked(
    {
        "bus_compressor": {"threshold_db": -20.0, "ratio": 2.0, "knee_db": 0.0, "attack_ms": 20.0, "release_ms": 150.0},
        "peak_compressor": {"attack_ms": 1.0, "release_ms": 60.0},
        "drive": {"gain_db": 6.0},
        "clipper": {"ceiling_dbfs": 1.4, "softness": 40.0},
        "limiter": {"ceiling_dbtp": -1.1, "lookahead_ms": 3.0, "release_ms": 40.0},
        "output": {},
    }
)
BARE = FULL.without("bus_compressor", "peak_compressor", "clipper")


def read(name, settings=FULL):
    return STRANGER[name].read(settings)


def moved(name):
    """What a stranger reads in another way, by stage and parameter."""
    return {place for place, value in read(name).flat().items() if FULL.flat().get(place) != value}


def test_nobody_changes_what_everybody_reads_alike():
    for stranger in STRANGERS:
        places = moved(stranger.name)
        assert places
        assert not places & {f"{stage}.{p}" for stage in FULL for p in ("ratio", "knee_db", "threshold_db", "gain_db")}
        assert stranger.read(BARE).items() >= BARE.only(["drive", "output"]).items()


def test_a_chain_without_a_strangers_stage_costs_the_same_there():
    for name in ("hard_clip", "tanh_clip", "cubic_clip", "rms_detector", "release_follows"):
        assert read(name, BARE) == BARE
    hard = FULL.with_("clipper", softness=0.0)
    assert all(read(name, hard) == hard for name in ("hard_clip", "tanh_clip", "cubic_clip"))


@pytest.mark.parametrize("shape", ["holds", "follows"])
def test_a_compressor_with_90_percent_times_is_there_after_the_printed_time(shape):
    printed = FULL.with_("bus_compressor", release_shape=shape)
    own = read("times_90_percent", printed)["bus_compressor"]
    level_db = np.full(4 * RATE, -60.0, np.float32)
    level_db[: 2 * RATE] = 0.0
    found = np.empty((1, 4 * RATE), np.float32)
    GainComputer(RATE, 1, own).follow(level_db[None], found)
    rise, fall = found[0, : 2 * RATE], found[0, 2 * RATE :]
    # definition: 90 % of the 10 dB, to a frame and the rounding of float32
    assert 1e3 * (np.argmax(rise >= 9.0) + 1) / RATE == pytest.approx(20.0, abs=0.05)
    if shape == "follows":
        assert 1e3 * (np.argmax(fall <= 1.0) + 1) / RATE == pytest.approx(150.0, abs=0.05)


def test_a_limiter_with_90_percent_times_has_given_back_90_percent_after_the_printed_time():
    own = read("times_90_percent")["limiter"]
    x = np.full((RATE, 1), 0.2)
    x[1000] = 2.0
    y = STAGES["limiter"].process(x, RATE, own.with_(ceiling_dbtp=-6.0)).samples
    reduction = 1.0 - y[:, 0] / x[:, 0]
    last = np.argmax(reduction[1001:] < reduction[1001]) + 1000  # the last frame before the gain comes up
    start = last + RATE * 0.003 / 2  # the smoothing behind the release is as long as the look-ahead
    there = np.argmax(reduction[1001:] <= 0.1 * reduction[1000]) + 1001
    # 40 ms: definition; 2 ms: where in the smoothing the release begins
    assert 1e3 * (there - start) / RATE == pytest.approx(40.0, abs=2.0)


def test_a_compressor_that_reads_rms_reads_a_sine_3_01_db_lower():
    tone = np.sin(2 * np.pi * 997.0 * np.arange(RATE) / RATE)[:, None]
    both = [settings["bus_compressor"] for settings in (FULL, read("rms_detector"))]
    levels = [Sidechain.of(tone, RATE, own).level_db[0, RATE // 2 :] for own in both]
    # closed form: 10 lg 2
    mean_square = 10.0 * np.log10(np.mean(10.0 ** (levels[1] / 10.0)))
    assert levels[0].max() - mean_square == pytest.approx(10.0 * np.log10(2.0), abs=0.001)


@pytest.mark.parametrize(
    ("name", "curve"), [("tanh_clip", np.tanh), ("cubic_clip", lambda x: np.where(x < 1.5, x - 4.0 / 27.0 * x**3, 1.0))]
)
def test_a_strangers_clipper_bends_by_its_formula_from_our_knee_to_our_ceiling(name, curve):
    x = np.linspace(-2.0, 2.0, RATE)[:, None]  # slow, so that filters do nothing
    y = STAGES["clipper"].process(x, RATE, read(name)["clipper"]).samples[1000:-1000, 0]
    c = 10.0 ** (1.4 / 20.0)
    w, u = 0.2 * c, np.abs(x[1000:-1000, 0])
    expected = np.where(u < c - w, u, c - w + w * curve((u - c + w) / w))
    # what the low-pass leaves of the cubic's third derivative
    np.testing.assert_allclose(np.abs(y), expected, atol=1e-6)


def test_lower_ceilings_lie_a_tenth_lower():
    settings = read("lower_ceilings")
    assert settings["limiter"]["ceiling_dbtp"] == pytest.approx(-1.2)
    assert settings["clipper"]["ceiling_dbfs"] == pytest.approx(1.3)


def trial(score, met=True, settings=FULL, **point):
    solution = Solution(drive_db=6.0, reached_lufs=-9.0, met=met, slope=0.8, renders=1)
    return Trial(
        coordinates=PLAN.trade_default.model_copy(update=point), settings=settings, solution=solution,
        costs=NO_COSTS, score=score, loss_db=1.0, early_work_db=1.0,
    )  # fmt: skip


def test_leaders_are_as_good_unlike_each_other_and_of_no_more_stages():
    best = trial(5.0, settings=FULL.without("peak_compressor"))
    fewer = partial(trial, settings=FULL.without("peak_compressor"))
    twin, near, far = fewer(5.0), fewer(5.1, limiter_release_ms=90.0), fewer(5.19, limiter_release_ms=400.0)
    no_leaders = [fewer(5.21, limiter_release_ms=5.0), trial(5.0, limiter_release_ms=5.0), fewer(5.0, met=False)]
    trials = [twin, *no_leaders, near, far]
    assert leaders(best, trials, 0.2, 3, PLAN.ranges) == [best, far, near]
    assert leaders(best, trials, 0.2, 2, PLAN.ranges) == [best, far]
    assert leaders(best, trials, 0.2, 9, PLAN.ranges) == [best, far, near]
    assert leaders(best, trials, 0.0, 9, PLAN.ranges) == [best]


def test_a_setting_of_a_stage_that_is_left_out_makes_no_chain_unlike_another():
    best = trial(5.0, bus_work_db=0.0)
    twin, other = trial(5.0, bus_work_db=0.0, bus_attack_ms=60.0), trial(5.1, bus_work_db=0.0, limiter_release_ms=85.0)
    assert leaders(best, [twin, other], 0.2, 3, PLAN.ranges) == [best, other]


def test_the_chain_that_costs_least_over_all_hands_is_suited_and_ours_are_among_them():
    a, b = trial(5.0), trial(5.1)
    # (5.0 + 5.4 + 5.2) / 3 against 5.1 + (0.0 + 0.1 + 0.1) / 3
    assert suited([a, b], [{"x": 0.4, "y": 0.2}, {"x": 0.1, "y": 0.1}]) is b
    assert suited([a, b], [{"x": 0.2, "y": 0.2}, {"x": 0.1, "y": 0.1}]) is a
    assert suited([a, b], [{}, {}]) is a
    assert loss({"x": 0.4, "y": 0.2}) == pytest.approx(0.3)


@pytest.fixture(scope="module")
def evaluator():
    song = make_demo("dense_rock", RATE, 10.0, 1)
    hops = weighted_hops(song, RATE)
    span = Span(start_hop=400, stop_hop=800, preroll_hops=200, reason="a")
    material = Material(song, RATE, hops, integrated_lufs(hops), [span])
    return Evaluator(material, CONFIG.weights, PLAN.drive, CONFIG.chain_plan)


@pytest.fixture(scope="module")
def tried(evaluator):
    points = [PLAN.trade_default, PLAN.trade_default.model_copy(update={"limiter_release_ms": 15.0})]
    return [evaluator.trial(point, Decisions(), -1.1, AIM, Guess()) for point in points]


AIM = Aim(lufs=-9.0)


def test_costs_there_are_those_of_chains_solved_from_nowhere(evaluator, tried):
    told = OtherHands(evaluator, AIM, partial(in_threads, most=2), STRANGERS).changes(tried, Decisions())
    exactly = evaluator.with_tolerance(0.002)
    for own, changes in zip(tried, told, strict=True):
        assert list(changes) == [stranger.name for stranger in STRANGERS]
        for stranger in STRANGERS:
            outline = as_set_by(stranger, own, Decisions(), exactly)
            there = exactly.price(exactly.solve(outline, AIM.lufs, Guess()), AIM)
            # 0.05 LU of tolerances at 4 points a LU
            assert changes[stranger.name] == pytest.approx(there.score - own.score, abs=0.2)
    assert max(told[0].values()) > 0.1


def test_thresholds_are_turned_to_the_reduction_and_ceilings_stay(evaluator, tried):
    rms = evaluator.solve(as_set_by(STRANGER["rms_detector"], tried[0], Decisions(), evaluator), -9.0, Guess())
    assert rms.settings["bus_compressor"]["threshold_db"] < tried[0].settings["bus_compressor"]["threshold_db"] - 2.0
    blocks = evaluator.material.reductions(rms.traces, ["bus_compressor"])["bus_compressor"]
    # 0.05 dB of the solve, and a threshold in steps of 0.1 dB
    assert work_db(blocks, evaluator.material.loud_blocks) == pytest.approx(PLAN.trade_default.bus_work_db, abs=0.1)
    for stage, ceiling in (("clipper", "ceiling_dbfs"), ("limiter", "ceiling_dbtp")):
        assert rms.settings[stage][ceiling] == tried[0].settings[stage][ceiling]
    assert rms.solution.met


def test_what_is_told_does_not_depend_on_threads_or_company(evaluator, tried):
    together = OtherHands(evaluator, AIM, partial(in_threads, most=4))
    alone = OtherHands(evaluator, AIM, partial(in_threads, most=1))
    assert together.changes(tried, Decisions()) == [alone.changes([t], Decisions())[0] for t in tried]
    assert list(together.changes(tried, Decisions())[0]) == [stranger.name for stranger in ASKED]


def test_a_locked_drive_is_turned_by_nobody_and_a_loudness_out_of_reach_is_told(evaluator, tried):
    hands = OtherHands(evaluator, AIM, in_threads)
    assert hands.changes(tried, Decisions(locks=ChainSettings({"drive": {"gain_db": 6.0}}))) == [{}, {}]
    out_of_reach = OtherHands(evaluator, Aim(lufs=20.0), in_threads, [STRANGER["lower_ceilings"]])
    (change,) = out_of_reach.changes(tried[:1], Decisions())[0].values()
    assert missed(change)
    assert not missed(3.0)
    assert math.isfinite(change)


def test_a_search_gives_up_no_more_than_it_may_for_what_it_saves_in_other_hands(excerpts_mix, sensing_plan):
    def reached(**search):
        target = {"lufs": -9.0, "ceiling_dbtp": -1.0}
        search = {"budget": 14, "sensitivity_trials": 0, **search}
        config = read_config(sensing_plan, {"target": target, "search": search})
        request = SearchRequest(mix=read_mix(excerpts_mix), config=config)
        return MeasuredMix.of(request, RunOptions(jobs=2)).ready().reach(config.target)

    plain, careful = reached(equal_chains=0), reached(equal_chains=4, equal_within=1.0)
    assert plain.suggestion.other_hands == {}
    told = careful.suggestion.other_hands
    assert list(told) == [stranger.name for stranger in ASKED]
    # The same trials, and of them the one that costs least there.
    assert [t.settings for t in careful.spent.done] == [t.settings for t in plain.spent.done]
    best, suggested = plain.spent.best, careful.spent.best
    assert best.score <= suggested.score <= best.score + 1.0
    (before,) = careful.spent.other_hands.changes([best], careful.spent.binding.searched)
    (after,) = careful.spent.other_hands.changes([suggested], careful.spent.binding.searched)
    share = len(ASKED) / (len(ASKED) + 1)
    assert suggested.score + share * loss(after) <= best.score + share * loss(before)
    if careful.suggestion.stats.chosen_from == "suggestion":
        assert told == after
