"""One trial: compressors do the work asked of them, peak stages share theirs, the drive meets the loudness."""

import numpy as np
import pytest

from autochain.audio.mix import Mix
from autochain.chain.chain import DEFAULT, STAGES
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.search.evaluator import OUT_OF_REACH, Aim, Evaluator
from autochain.search.space import outline_at
from autochain.solve.decisions import Decisions, parse_decisions
from autochain.solve.excerpts import Span
from autochain.solve.material import Material
from autochain.solve.solved import Guess

RATE = 44100
HOP = RATE // 100
CONFIG = read_config()
POINT = CONFIG.search.trade_default


@pytest.fixture(scope="module")
def song():
    return make_demo("dense_rock", RATE, 14.0, 1)


@pytest.fixture(scope="module")
def evaluator(song):
    """Two excerpts of the song, with pre-roll."""
    hops = weighted_hops(song, RATE)
    spans = [
        Span(start_hop=400, stop_hop=720, preroll_hops=200, reason="a"),
        Span(start_hop=1000, stop_hop=1320, preroll_hops=200, reason="b"),
    ]
    material = Material(song, RATE, hops, integrated_lufs(hops), spans)
    return Evaluator(material, CONFIG.weights, CONFIG.search.drive, CONFIG.chain_plan)


def at(**values):
    return POINT.model_copy(update=values)


def solved_at(evaluator, point, target, decisions=None, **more):
    return evaluator.solve(outline_at(point, decisions or Decisions(), -1.1), target, Guess(), **more)


@pytest.mark.parametrize("stage", ["bus_compressor", "peak_compressor"])
@pytest.mark.parametrize("wanted_db", [0.5, 1.5, 3.0])
def test_a_compressor_set_by_work_does_that_work(song, evaluator, stage, wanted_db):
    """The solved threshold, set on a compressor that then hears the whole song from its start."""
    name = {"bus_compressor": "bus_work_db", "peak_compressor": "peak_work_db"}
    off = {other: 0.0 for key, other in name.items() if key != stage}
    settings = solved_at(evaluator, at(**{name[stage]: wanted_db}, **off), -12.0).settings
    trace = STAGES[stage].process(song, RATE, settings[stage]).trace.max_db
    # Work, as it is defined: 95th percentile over the loud 400 ms blocks of the largest reduction in each.
    power = np.array([h.mean() for h in np.split(weighted_hops(song, RATE)[:1400], 35)])
    blocks = []
    for first, last in ((10, 18), (25, 33)):
        peaks = trace[first * 40 : last * 40].reshape(-1, 40).max(axis=1)
        loud = evaluator.material.loud_blocks[0 if first == 10 else 1]
        assert loud.any()
        # Loud blocks are louder than the ones that are not.
        if not loud.all():
            assert power[first:last][loud].mean() > power[first:last][~loud].mean()
        blocks.append(peaks[loud])
    found = float(np.percentile(np.concatenate(blocks), 95.0))
    # 0.05 dB of the solve, and up to 0.05 dB because the threshold is set in steps of 0.1 dB.
    assert found == pytest.approx(wanted_db, abs=0.1)


@pytest.mark.parametrize("share", [0.2, 0.5, 1.0])
def test_the_clipper_takes_its_share_of_the_peak_work(evaluator, share):
    point = at(bus_work_db=0.0, peak_work_db=0.0, clip_share=share, onset_db=0.0)
    solved = solved_at(evaluator, point, -10.0)
    ceiling = solved.settings["limiter"]["ceiling_dbtp"]
    peak = max(np.abs(x[200 * HOP :]).max() for x in solved.before_peaks)
    work = 20.0 * np.log10(peak) + solved.settings["drive"]["gain_db"] - ceiling
    # share: of the way from the driven peak down to the limiter's ceiling; the ceiling is set in steps of 0.1 dB
    above = solved.settings["clipper"]["ceiling_dbfs"] - ceiling
    assert above == pytest.approx((1.0 - share) * work, abs=0.051)


@pytest.mark.parametrize("target", [-13.0, -10.0, -8.0])
def test_a_solved_trial_meets_the_loudness_that_its_excerpts_say_the_song_has(song, evaluator, target):
    solved = solved_at(evaluator, POINT, target)
    assert solved.solution.met
    assert solved.solution.renders <= CONFIG.search.drive.max_renders
    # Rendered again from its settings alone, each excerpt with its pre-roll.
    hops = []
    for segment in evaluator.material.segments:
        heard = DEFAULT.render(segment.samples, RATE, solved.settings).samples
        hops.append(weighted_hops(heard, RATE)[200:])
    assert evaluator.material.wanted_lufs(hops) == pytest.approx(target, abs=CONFIG.search.drive.tolerance_lu)
    # The whole song with these settings: 6.4 s of 14 say it this closely, without any calibration.
    whole = DEFAULT.render(song, RATE, solved.settings).samples
    assert integrated_lufs(weighted_hops(whole, RATE)) == pytest.approx(target, abs=0.25)


@pytest.mark.parametrize("gain_db", [-20.0, 0.0, 7.3])
def test_excerpts_turned_up_say_the_loudness_of_the_song_turned_up(song, evaluator, gain_db):
    """BS.1770-5: gain moves the loudness of what stays over -70 LUFS by itself, whichever parts are heard."""
    hops = [h * 10.0 ** (gain_db / 10.0) for h in evaluator.material.input_hops]
    wanted = integrated_lufs(weighted_hops(song * 10.0 ** (gain_db / 20.0), RATE))
    assert evaluator.material.wanted_lufs(hops) == pytest.approx(wanted, abs=1e-6)


def test_a_trial_gives_the_same_bits_each_time_and_in_any_order(evaluator):
    points = [POINT, at(clip_share=0.0), at(bus_work_db=0.0)]
    first = [evaluator.trial(p, Decisions(), -1.1, Aim(lufs=-9.5), Guess()) for p in points]
    again = [evaluator.trial(p, Decisions(), -1.1, Aim(lufs=-9.5), Guess()) for p in reversed(points)]
    assert first == again[::-1]


def test_a_target_out_of_reach_costs_more_than_any_that_is_met_and_more_the_further_it_is(evaluator):
    bare = at(bus_work_db=0.0, peak_work_db=0.0, clip_share=0.0, onset_db=0.0, limiter_release_ms=400.0)
    near, far = (evaluator.trial(bare, Decisions(), -1.1, Aim(lufs=target), Guess()) for target in (-3.0, -2.0))
    met = evaluator.trial(POINT, Decisions(), -1.1, Aim(lufs=-9.0), Guess())
    assert met.solution.met
    assert met.score < OUT_OF_REACH
    assert not near.solution.met
    assert not far.solution.met
    assert met.score < near.score < far.score


def test_a_held_ceiling_is_held_by_the_highest_reading(song):
    hops = weighted_hops(song, RATE)
    whole = Span(start_hop=0, stop_hop=len(hops), preroll_hops=0, reason="whole song")
    material = Material(song, RATE, hops, integrated_lufs(hops), [whole])
    evaluator = Evaluator(material, CONFIG.weights, CONFIG.search.drive, CONFIG.chain_plan)
    # A limiter set at the ceiling itself passes it by one reading or another, so it has to give way.
    plan = outline_at(at(limiter_lookahead_ms=1.0, limiter_release_ms=5.0), Decisions(), -1.0)
    solved = evaluator.solve(plan, -7.5, Guess(), step_db=0.1, hold_dbtp=-1.0)
    assert read_true_peak(solved.rendered[0], RATE).highest_dbtp <= -1.0
    assert solved.settings["limiter"]["ceiling_dbtp"] <= -1.0
    assert round(solved.settings["drive"]["gain_db"], 1) == solved.settings["drive"]["gain_db"]


def test_a_locked_drive_and_ceiling_are_rendered_as_they_are(evaluator):
    decided = parse_decisions(["drive.gain_db=4.56", "limiter.ceiling_dbtp=-0.35"], [])
    solved = solved_at(evaluator, POINT, -9.0, decided, hold_dbtp=-1.0)
    assert solved.settings["drive"]["gain_db"] == 4.56
    assert solved.settings["limiter"]["ceiling_dbtp"] == -0.35
    assert solved.solution.renders == 1


def test_a_score_is_that_of_the_very_loudness_aimed_at(evaluator):
    """A render 0.05 LU off, told by what a LU costs, is within 0.03 of one that is solved to 0.001 LU."""
    exactly = evaluator.with_tolerance(0.001)
    plan = outline_at(POINT, Decisions(), -1.1, evaluator.chain)
    quieter, wanted, louder = (exactly.solve(plan, lufs, Guess()) for lufs in (-9.55, -9.5, -9.45))
    a_lu = evaluator.score_per_lu(quieter, louder)
    assert 1.0 < a_lu < 12.0  # else nothing would be told apart here
    score = evaluator.price(wanted, Aim(lufs=-9.5)).score
    for off in (quieter, louder):
        assert evaluator.price(off, Aim(lufs=-9.5, score_per_lu=a_lu)).score == pytest.approx(score, abs=0.03)
        assert abs(evaluator.price(off, Aim(lufs=-9.5)).score - score) > 0.03


def test_the_mix_is_never_modified(song):
    mix = Mix(samples=song.copy(), rate_hz=RATE, file="x", sha256="", subtype="PCM_24")
    mix.samples.flags.writeable = False
    hops = weighted_hops(mix.samples, RATE)
    whole = Span(start_hop=0, stop_hop=len(hops), preroll_hops=0, reason="whole song")
    material = Material(mix.samples, RATE, hops, integrated_lufs(hops), [whole])
    evaluator = Evaluator(material, CONFIG.weights, CONFIG.search.drive, CONFIG.chain_plan)
    evaluator.trial(POINT, Decisions(), -1.1, Aim(lufs=-10.0), Guess())
    np.testing.assert_array_equal(mix.samples, song)
