"""The whole song's verdict: scores at one loudness, and settings somebody could dial where a target is out of reach."""

import numpy as np
import pytest

from autochain.audio.mix import Mix
from autochain.config import read_config
from autochain.demo import make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.measurement import measure
from autochain.prepare.silence_and_fades import find_silence_and_fades
from autochain.search.evaluator import EXACT_LU, Aim, Evaluator
from autochain.search.verify import Contender, finish, verify
from autochain.solve.decisions import Decisions, parse_decisions
from autochain.solve.excerpts import whole_song
from autochain.solve.material import Material
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess

RATE = 44100
CONFIG = read_config()
CHAIN = CONFIG.chain_plan
MIX = Mix(samples=make_demo("dense_rock", RATE, 10.0, 1), rate_hz=RATE, file="m.wav", sha256="", subtype="PCM_24")
SETTINGS = CHAIN.checked(
    {"drive": {}, "clipper": {"ceiling_dbfs": 1.0}, "limiter": {"ceiling_dbtp": -1.1}, "output": {}}
)


@pytest.fixture(scope="module")
def song():
    hops = weighted_hops(MIX.samples, RATE)
    material = Material(MIX.samples, RATE, hops, integrated_lufs(hops), [whole_song(len(hops))])
    return Evaluator(material, CONFIG.weights, CONFIG.search.drive, CHAIN)


def target_at(lufs):
    return CONFIG.target.model_copy(update={"lufs": lufs})


def verified(song, lufs=-9.0, locks=(), *, settings=SETTINGS, over_told_lu=None, carefully=False):
    contender = Contender(
        name="limiter_only",
        settings=settings,
        target=target_at(lufs),
        decisions=parse_decisions(list(locks), []),
        guess=Guess(over_told_lu=over_told_lu),
    )
    return verify(contender, song, carefully=carefully)


def finished(song, found, lufs=-9.0, *, keep=False):
    return finish(found, target_at(lufs), MIX, song, find_silence_and_fades(MIX.samples, RATE), keep=keep)


def test_one_chain_solved_to_two_loudnesses_has_one_score(song):
    solved = song.solve(only_drive_left(SETTINGS, Decisions()), -9.0, Guess(), step_db=0.1, hold_dbtp=-1.0)
    drive_db = solved.settings["drive"]["gain_db"]
    at = []
    for step_db in (0.0, 0.1):  # the step a hand sets beside it, some hundredths of a LU away
        found = verified(song, locks=[f"drive.gain_db={drive_db + step_db:g}"])
        assert found.met
        assert found.settings["drive"]["gain_db"] == pytest.approx(drive_db + step_db)  # what is printed stays
        at.append(found)
    heard = [finished(song, found)[0].after.integrated_lufs for found in at]
    assert heard[1] - heard[0] >= 0.03
    # Each at the very target but for EXACT_LU, and a LU costs this chain four points or less (next test).
    assert at[1].score == pytest.approx(at[0].score, abs=2.0 * 4.0 * EXACT_LU)


def test_a_score_is_that_of_a_render_at_the_very_target(song):
    found = verified(song)
    plan = only_drive_left(found.settings, Decisions())

    def rendered(lufs):
        """Off a hand's steps, the whole render held and measured at once."""
        solved = song.with_tolerance(1e-4).solve(plan, lufs, Guess())
        heard = CHAIN.render(MIX.samples, RATE, solved.settings).samples
        assert integrated_lufs(weighted_hops(heard, RATE)) == pytest.approx(lufs, abs=1e-3)
        return song.price(solved, Aim(lufs=lufs)).score

    a_lu = (rendered(-8.9) - rendered(-9.1)) / 0.2
    assert 1.0 < a_lu < 4.0  # or the next line would say nothing, or hold for anything
    assert found.score == pytest.approx(rendered(-9.0), abs=1.5 * EXACT_LU * a_lu)


def test_what_is_measured_in_blocks_is_what_the_whole_render_gives(song):
    found, samples = finished(song, verified(song), keep=True)
    whole = CHAIN.render(MIX.samples, RATE, found.settings).samples
    assert np.array_equal(samples, whole)
    assert found.after == measure(whole, RATE)
    assert finished(song, verified(song))[1].shape == (0, 2)


def test_what_is_set_is_the_step_nearest_to_the_very_target(song):
    found = verified(song)
    drive_db = found.settings["drive"]["gain_db"]

    def off_lu(more_db):
        settings = found.settings.with_("drive", gain_db=drive_db + more_db)
        return abs(integrated_lufs(weighted_hops(CHAIN.render(MIX.samples, RATE, settings).samples, RATE)) + 9.0)

    assert off_lu(0.0) < min(off_lu(-0.1), off_lu(0.1))
    assert finished(song, found)[0].after.integrated_lufs == pytest.approx(-9.0, abs=off_lu(0.0) + 1e-3)
    assert found.after.integrated_lufs == pytest.approx(-9.0, abs=EXACT_LU)  # of the render that was priced


def test_a_chain_whose_drive_is_told_is_priced_in_one_render_as_one_that_is_solved(song, monkeypatch):
    solved = verified(song)
    over_lu = song.over_told_lu(solved.settings, finished(song, solved)[0].after.integrated_lufs)
    assert abs(over_lu) < 0.06  # what solve.estimate states of itself
    rendered = []
    running = Evaluator.running
    monkeypatch.setattr(Evaluator, "running", lambda *args: rendered.append(args) or running(*args))
    told = verified(song, over_told_lu=over_lu)
    assert len(rendered) == 1
    assert told.met
    assert told.settings == solved.settings
    assert told.after.integrated_lufs == pytest.approx(-9.0, abs=EXACT_LU)
    assert told.score == pytest.approx(solved.score, abs=2.0 * 4.0 * EXACT_LU)
    rendered.clear()
    astray = verified(song, over_told_lu=over_lu + 0.05)  # its slope is right all the same
    assert len(rendered) == 2
    assert astray.after.integrated_lufs == pytest.approx(-9.0, abs=EXACT_LU)


def test_a_chain_whose_drive_is_told_gives_way_where_the_ceiling_would_be_passed(song):
    at_the_ceiling = SETTINGS.with_("limiter", ceiling_dbtp=-1.0)  # no room for the dither of a file
    found = verified(song, settings=at_the_ceiling, over_told_lu=0.0)
    assert found.met
    assert found.settings["limiter"]["ceiling_dbtp"] == pytest.approx(-1.1)
    assert finished(song, found)[0].after.true_peak_dbtp <= -1.0


def test_verified_with_care_all_readings_are_of_what_is_set(song):
    found = verified(song, carefully=True)
    after = finished(song, found)[0].after
    assert found.after.true_peak_dbtp == after.true_peak_dbtp <= -1.0
    readings = (after.true_peak_annex2_dbtp, after.true_peak_sinc49_dbtp, after.true_peak_x16_dbtp)
    assert after.true_peak_dbtp == max(readings)


def test_a_target_out_of_reach_ends_where_one_more_db_adds_little(song):
    found = verified(song, lufs=3.0)
    assert not found.met
    assert found.saturated
    drive_db = found.settings["drive"]["gain_db"]
    assert drive_db < 30.0

    def lufs_at(more_db):
        settings = found.settings.with_("drive", gain_db=drive_db + more_db)
        return integrated_lufs(weighted_hops(CHAIN.render(MIX.samples, RATE, settings).samples, RATE))

    # saturated_slope, LU per dB, on either side of where it ends; found within half a dB.
    flat = CONFIG.search.drive.saturated_slope
    assert lufs_at(2.0) - lufs_at(0.0) < 2.0 * flat
    assert lufs_at(0.0) - lufs_at(-2.0) > 2.0 * flat


def test_a_locked_drive_that_falls_short_is_not_called_saturated(song):
    found = verified(song, lufs=-7.0, locks=["drive.gain_db=3"])
    assert not found.met
    assert not found.saturated
    assert found.settings["drive"]["gain_db"] == 3.0
