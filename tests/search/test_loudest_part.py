"""Aiming at the loudest 3 s: reached on the whole song as an outside meter reads it, wherever the excerpts lie."""

import json

import numpy as np
import pytest

from autochain.audio.files import read_mix, write_wav
from autochain.config import read_config
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.run import suggest
from autochain.solve.excerpts import Span

# What is promised of any target, LU.
WITHIN_LU = 0.1


def searched(path, plan, **target):
    config = read_config(plan, {"target": target, "search": {"budget": 7}})
    return suggest(SearchRequest(mix=read_mix(path), config=config), RunOptions(jobs=2))


def test_the_loudest_part_is_reached_though_no_excerpt_holds_it(short_mix, small_plan, libebur128_loudest, monkeypatch):
    # Its loudest 3 s begin at 0:06.0.
    before = (Span(start_hop=400, stop_hop=720, preroll_hops=120, reason="typical"),)
    monkeypatch.setattr("autochain.search.run.choose_spans", lambda *_: before)
    found = searched(short_mix, small_plan, loudest_part_lufs=-8.0)
    assert found.chosen.met
    assert libebur128_loudest(found.samples, found.mix.rate_hz) == pytest.approx(-8.0, abs=WITHIN_LU)
    # The baselines aim at the same.
    for baseline in found.baselines.values():
        assert baseline.after.max_short_term_lufs == pytest.approx(-8.0, abs=WITHIN_LU)


@pytest.mark.parametrize("option", ["--lufs", "--loudest-part"])
def test_a_gain_alone_reaches_either_loudness(command, brief_mix, tmp_path, libebur128, libebur128_loudest, option):
    ran = command("suggest", brief_mix, option, -20, "-o", tmp_path)
    assert ran.code == 0, ran.err
    after = json.loads((tmp_path / "brief.sheet.json").read_text(encoding="utf-8"))["after"]
    mix = read_mix(brief_mix)
    whole, loudest = libebur128(brief_mix)[0], libebur128_loudest(mix.samples, mix.rate_hz)
    gain_db = -20.0 - {"--lufs": whole, "--loudest-part": loudest}[option]
    assert after["integrated_lufs"] == pytest.approx(whole + gain_db, abs=WITHIN_LU)
    assert after["max_short_term_lufs"] == pytest.approx(loudest + gain_db, abs=WITHIN_LU)
    both = f"{after['integrated_lufs']:.1f} LUFS, {after['max_short_term_lufs']:.1f} in the loudest 3 s"
    assert f"Target reached: {both}, at" in ran.out
    assert f"wanted -20.0 LUFS{' in the loudest 3 s' if option == '--loudest-part' else ''} under" in ran.out


def test_both_loudnesses_far_apart_are_said_with_the_one_that_is_meant(command, short_mix, tmp_path):
    mix = read_mix(short_mix)
    samples = mix.samples.copy()
    samples[: round(8.5 * mix.rate_hz)] *= np.float32(10.0 ** (-9.0 / 20.0))
    path = tmp_path / "apart.wav"
    write_wav(path, samples, mix.rate_hz, 1)
    for option, words in (("--lufs", "the whole song, as --lufs"), ("--loudest-part", "the loudest part, as")):
        ran = command("suggest", path, option, -24, "-o", tmp_path, "--force")
        assert ran.code == 0, ran.err
        assert f"apart. The target means {words}" in ran.out


def test_near_each_other_they_need_no_note(demo_run):
    run = demo_run("dense_rock")
    after = run.sheet["after"]
    assert after["max_short_term_lufs"] - after["integrated_lufs"] <= 3.0
    assert not [note for note in run.sheet["notes"] if note["code"] == "two_loudnesses"]


def test_two_targets_are_refused_naming_both(command, short_mix, tmp_path):
    ran = command("suggest", short_mix, "--lufs", -9, "--loudest-part", -7, "-o", tmp_path / "out")
    assert ran.code == 2
    assert ran.err == (
        "autochain: --lufs -9 and --loudest-part -7 are two targets, and a master has one. Drop one of them.\n"
    )
    assert not (tmp_path / "out").exists()


def test_a_loudest_part_that_cannot_be_is_refused_by_its_own_name(command, short_mix, tmp_path):
    ran = command("suggest", short_mix, "--loudest-part", 1, "--ceiling", 0, "-o", tmp_path / "out")
    assert ran.code == 2
    assert "1 LUFS in the loudest part is outside -40 to 0 LUFS. Choose a loudness in that range." in ran.err
