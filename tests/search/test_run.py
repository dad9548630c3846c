"""The search as a whole: what is always tried, what is compared, and which result is suggested."""

import numpy as np
import pytest

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix
from autochain.audio.signals import pink_noise, struck
from autochain.chain.chain import STAGES
from autochain.config import read_config
from autochain.search import run
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import MeasuredMix
from autochain.search.verify import verify
from autochain.solve.decisions import parse_decisions

RATE = 44100


def searched(mix, plan, locks=(), without=(), target=None, jobs=2, **search):
    config = read_config(plan, {"target": {"lufs": -9.0, "ceiling_dbtp": -1.0, **(target or {})}, "search": search})
    phases = []
    request = SearchRequest(mix=mix, config=config, decisions=parse_decisions(list(locks), list(without)))
    measured = MeasuredMix.of(request, RunOptions(jobs=jobs, progress=lambda p, d: phases.append((p, d))))
    simple = measured.by_gain(config.target)
    if simple is not None:
        return None, simple, phases
    reached = measured.ready().reach(config.target)
    return reached.spent, reached.suggestion, phases


@pytest.fixture(scope="module")
def small(short_mix, small_plan):
    """Five baselines and nine points of the sampler on two short excerpts."""
    return searched(read_mix(short_mix), small_plan, budget=14)


def test_baselines_are_always_among_the_trials(small):
    spent, found, _ = small
    assert [family for family, _ in spent.families] == [
        "trade_default", "limiter_only", "limiter_only", "clip_and_limit", "clip_and_limit",
    ]  # fmt: skip
    assert len(spent.done) == found.stats.trials == 14
    assert set(found.baselines) == {"limiter_only", "trade_default"}


def test_even_the_smallest_budget_holds_a_limiter_alone_and_the_trade_default(excerpts_mix, small_plan):
    spent, found, _ = searched(read_mix(excerpts_mix), small_plan, budget=2)
    assert [family for family, _ in spent.families] == ["trade_default", "limiter_only"]
    assert found.chosen.met
    assert found.stats.chosen_from in ("trade_default", "limiter_only")
    assert "baseline_best" in [note.code for note in found.notes]


@pytest.mark.parametrize("budget", [6, 7])
def test_judging_the_leaders_anew_stays_inside_the_budget(excerpts_mix, small_plan, budget):
    # Five baselines pass half the budget; what is left is less than a batch.
    spent, _, _ = searched(read_mix(excerpts_mix), small_plan, budget=budget)
    assert len(spent.done) == budget


def test_a_search_that_comes_back_to_a_baseline_says_so(brief_mix, small_plan):
    # With all else left out only the limiter of the baselines is there to choose.
    without = ["rotation", "bus_compressor", "peak_compressor", "clipper", "transient"]
    _, found, _ = searched(read_mix(brief_mix), small_plan, without=without, budget=3)
    assert found.stats.chosen_from in ("trade_default", "limiter_only")
    assert "baseline_best" in [note.code for note in found.notes]


def test_the_best_limiter_alone_stands_for_its_family(small):
    spent, found, _ = small
    trials = [trial for family, trial in spent.families if family == "limiter_only"]
    best = min(trials, key=lambda trial: trial.score)
    releases = {trial.settings["limiter"]["release_ms"] for trial in trials}
    assert releases == {5.0, 60.0}
    shown = found.baselines["limiter_only"].settings
    assert shown["limiter"]["release_ms"] == best.settings["limiter"]["release_ms"]
    assert set(shown) - {"rotation"} == {"drive", "limiter", "output"}


def test_the_suggestion_is_the_best_of_what_was_verified(small):
    _, found, _ = small
    assert found.chosen.met
    least = min(v.score for v in found.baselines.values())
    # A chain of fewer stages may be suggested for one that gains less than this over it.
    assert found.chosen.score <= least + found.config.search.chain_earns


def test_a_peak_that_only_the_slowest_meter_finds_has_all_verified_again_with_care(
    excerpts_mix, small_plan, monkeypatch
):
    care, over = [], [False]

    def verified(*args, carefully):
        care.append(carefully)
        return verify(*args, carefully=carefully)

    def under(*_):
        return over.pop() if over else True

    monkeypatch.setattr(run, "verify", verified)
    monkeypatch.setattr(run, "dithered_under_ceiling", under)
    _, found, _ = searched(read_mix(excerpts_mix), small_plan, budget=3)
    half = len(care) // 2
    assert care == [False] * half + [True] * half
    assert found.chosen.met
    assert found.chosen.after.true_peak_dbtp <= found.config.target.ceiling_dbtp


def test_excerpts_predict_the_whole_song(small):
    """A trial's loudness target is calibrated so that the song, not the excerpt, meets the request."""
    spent, found, _ = small
    assert len(found.spans) == 2
    # Two excerpts of 3.2 s are louder than the song; what a trial is brought to is the loudness they tell of it.
    assert spent.best.solution.reached_lufs == pytest.approx(-9.0, abs=0.1)
    assert spent.excerpts.material.input_lufs > found.before.integrated_lufs + 0.2
    heard = {name: trial for name, trial in spent.families if name == "trade_default"}
    heard["suggestion"] = spent.best
    for verified in (found.baselines["trade_default"], found.chosen):
        if verified.name in heard:
            # The drive moves a little when the whole song is heard and the limiter's ceiling gives way.
            drive_db = heard[verified.name].settings["drive"]["gain_db"]
            assert verified.settings["drive"]["gain_db"] == pytest.approx(drive_db, abs=0.5)


def test_only_what_a_hand_can_set_is_suggested(small):
    _, found, _ = small
    for verified in (found.chosen, *found.baselines.values()):
        for name, values in verified.settings.items():
            for parameter in STAGES[name].parameters:
                assert parameter.rounded(values.value(parameter.name)) == values.value(parameter.name)


def test_progress_only_goes_forward(small):
    _, _, phases = small
    names = list(dict.fromkeys(name for name, _ in phases))
    phases_of_the_job = ["measuring the mix", "calibrating the excerpts", "searching", "verifying on the whole song"]
    assert [name for name in names if name in phases_of_the_job] == phases_of_the_job
    shares = [done for name, done in phases if name == "searching"]
    assert shares == sorted(shares)
    assert all(0.0 <= done < 1.0 for done in shares)


@pytest.mark.parametrize("lock", ["bus_compressor.ratio=3", "clipper.softness=80", "transient.window_ms=40"])
def test_a_baseline_without_a_locked_stage_is_compared_and_not_suggested(brief_mix, small_plan, lock):
    _, found, _ = searched(read_mix(brief_mix), small_plan, [lock], budget=6)
    name, _, value = lock.partition("=")
    stage, parameter = name.split(".")
    assert found.chosen.settings[stage][parameter] == float(value)
    assert stage not in found.baselines["limiter_only"].settings


def test_a_mix_over_full_scale_is_not_clipped_again(small_plan):
    hits = struck(pink_noise(5.0, RATE, -14.0), RATE, decay_s=0.03)
    samples = (hits * (1.3 / np.abs(hits).max())).astype(np.float32)
    mix = Mix(samples=samples, rate_hz=RATE, file="hot.wav", sha256="", subtype="FLOAT")
    spent, found, _ = searched(mix, small_plan, budget=8, target={"lufs": -12.0})
    assert "clipper" not in found.chosen.settings
    assert not any("clipper" in trial.settings for trial in spent.done)
    assert "mix_over_full_scale" in [note.code for note in found.notes]
    assert found.decisions.without == frozenset()  # nobody asked for that: the sheet repeats the request


def test_a_locked_clipper_is_kept_on_a_mix_over_full_scale_and_the_note_says_so(small_plan):
    hits = struck(pink_noise(5.0, RATE, -14.0), RATE, decay_s=0.03)
    samples = (hits * (1.3 / np.abs(hits).max())).astype(np.float32)
    mix = Mix(samples=samples, rate_hz=RATE, file="hot.wav", sha256="", subtype="FLOAT")
    _, found, _ = searched(mix, small_plan, ["clipper.softness=20"], budget=2, target={"lufs": -12.0})
    assert "clipper" in found.chosen.settings
    (note,) = [note for note in found.notes if note.code == "mix_over_full_scale"]
    assert "left out" not in note.text


def test_a_mix_too_quiet_for_the_drive_is_told_so_and_nothing_is_claimed_of_other_chains(small_plan):
    # 47 dB under the target; the drive ends at 40 dB.
    soft = (0.02 * pink_noise(4.0, RATE, -22.0)).astype(np.float32)
    mix = Mix(samples=soft, rate_hz=RATE, file="soft.wav", sha256="", subtype="FLOAT")
    _, found, _ = searched(mix, small_plan)
    assert not found.chosen.met
    assert [note.code for note in found.notes] == ["mix_too_quiet"]
    assert found.baselines == {}


def test_a_mix_delivered_very_quietly_has_the_same_room_as_a_loud_one(brief_mix, small_plan):
    mix = read_mix(brief_mix)
    soft = Mix(samples=mix.samples * np.float32(0.03), rate_hz=RATE, file="soft.wav", sha256="", subtype="FLOAT")
    _, found, _ = searched(soft, small_plan, budget=6)
    # 30 dB quieter, so 30 dB more drive; the drive's range ends at 40 dB.
    assert found.chosen.met
    assert found.chosen.settings["drive"]["gain_db"] > 30.0


def codes(found):
    return [note.code for note in found.notes]


def test_a_chain_that_gains_too_little_gives_way_to_a_simpler_one(brief_mix, small_plan):
    mix, plan = read_mix(brief_mix), small_plan
    _, found, _ = searched(mix, plan, budget=6, chain_earns=100.0, sensitivity_trials=0)
    assert set(found.chosen.settings) - {"rotation", "equaliser", "dynamic_bell"} == {"drive", "limiter", "output"}
    assert found.chosen.settings == found.baselines["limiter_only"].settings
    forgone = found.stats.forgone
    assert forgone.score < found.chosen.score
    assert len(forgone.settings) > len(found.chosen.settings)
    (note,) = [note for note in found.notes if note.code == "simpler_suggested"]
    assert f"{found.chosen.score - forgone.score:.2f} points" in note.text
    assert "baseline_best" not in codes(found)
    # The best is suggested where nothing has to be earned.
    _, best, _ = searched(mix, plan, budget=6, chain_earns=0.0, sensitivity_trials=0)
    assert best.stats.forgone is None
    assert best.chosen.score == forgone.score


@pytest.fixture(scope="module")
def locked(brief_mix, small_plan):
    """A release so slow that it costs a lot, outside of the search's range, on a small search without a clipper.

    A clipper would take the work off the limiter.
    """
    return searched(
        read_mix(brief_mix), small_plan, ["limiter.release_ms=900"], ["clipper"], budget=8, sensitivity_trials=0
    )


def test_a_limiter_alone_is_without_the_locks_and_beside_it_one_with_them(locked):
    _, found, _ = locked
    assert list(found.baselines) == ["limiter_only", "limiter_only_locked", "trade_default"]
    assert found.baselines["limiter_only"].settings["limiter"]["release_ms"] in (5.0, 60.0)
    for name in ("limiter_only_locked", "trade_default"):
        assert found.baselines[name].settings["limiter"]["release_ms"] == 900.0
    assert found.chosen.settings["limiter"]["release_ms"] == 900.0


def test_what_a_lock_costs_is_told_with_both_scores(locked):
    spent, found, _ = locked
    free, own = found.baselines["limiter_only"], found.chosen
    if own.met:
        (note,) = [note for note in found.notes if note.code == "lock_price"]
        assert "limiter.release_ms=900" in note.text
        assert f"{own.score:.2f}" in note.text
    else:
        (note,) = [note for note in found.notes if note.code == "target_missed"]
        assert "drop limiter.release_ms=900" in note.suggestion
    assert free.met
    # A locked release makes the points of the grid that differ in it alone one.
    assert [family for family, _ in spent.families] == [
        "trade_default", "limiter_only_locked", "limiter_only", "limiter_only", "clip_and_limit", "clip_and_limit",
    ]  # fmt: skip
    assert len(spent.done) == 8  # those without locks are beyond the budget


def test_a_lock_outside_of_the_ranges_is_told(locked):
    _, found, _ = locked
    (note,) = [note for note in found.notes if note.code == "lock_outside_range"]
    assert "limiter.release_ms=900 (the search tries 5 to 400 ms)" in note.text


def test_a_drive_locked_too_high_is_told_as_that_and_a_louder_target_named(brief_mix, small_plan):
    _, found, _ = searched(
        read_mix(brief_mix), small_plan, ["drive.gain_db=12"], budget=6, target={"lufs": -13.0}, sensitivity_trials=0
    )
    assert not found.chosen.met
    assert not found.chosen.saturated
    note = found.notes[0]
    assert note.code == "target_missed"
    assert "LU over the target. The drive is locked at 12 dB." in note.text
    heard = found.chosen.after.integrated_lufs
    named = float(note.suggestion.split("choose a louder target, --lufs ")[1].split(";")[0].rstrip("."))
    assert heard <= named < heard + 0.1
    assert "drop drive.gain_db=12: without, a" in note.suggestion
