"""Near an earlier sheet: a hand's changes are kept to the digit, choices stay near, what moved is told as it is."""

import json
from dataclasses import replace

import numpy as np
import pytest

from autochain.audio.files import read_mix, write_wav
from autochain.audio.signals import pink_noise
from autochain.chain.chain import STAGES
from autochain.config import read_config
from autochain.config.model import Coordinates, Target
from autochain.earlier.around import stay_near
from autochain.earlier.same_song import another_song
from autochain.earlier.sheet import EarlierSheet
from autochain.errors import ParameterError, SheetError
from autochain.search.space import from_vector, ranges_near, to_vector
from autochain.solve.decisions import Decisions, parse_decisions

CONFIG = read_config()
SHARE = CONFIG.search.around_share


def settings_of(sheet):
    return {f"{s['stage']}.{name}": value for s in sheet["stages"] for name, value in s["settings"].items()}


def point_of(sheet):
    return Coordinates(**sheet["search"]["coordinates"])


@pytest.fixture(scope="module")
def asked(command, small_plan):
    """The command with the small plan; returns what it printed as a sheet, its folder, and the run."""

    def run(mix, out, *more):
        plan = ("--config", small_plan, "--budget", 10)
        ran = command("suggest", mix, *plan, "-o", out, *more)
        assert ran.code == 0, ran.err
        return json.loads((out / f"{mix.stem}.sheet.json").read_text(encoding="utf-8")), ran

    return run


@pytest.fixture(scope="module")
def earlier(asked, brief_mix, tmp_path_factory):
    """A sheet of the short mix, and its path; the transient shaper is locked in, to be taken out later."""
    out = tmp_path_factory.mktemp("earlier")
    sheet, _ = asked(brief_mix, out, "--lufs", -8, "--lock", "transient.window_ms=30")
    return sheet, out / "brief.sheet.json"


@pytest.fixture(scope="module")
def again(asked, earlier, brief_mix, tmp_path_factory):
    """The same mix around its own sheet, nothing changed."""
    out = tmp_path_factory.mktemp("again")
    return *asked(brief_mix, out, "--around", earlier[1], "--jobs", 2), out


@pytest.fixture(scope="module")
def revised(asked, earlier, brief_mix, tmp_path_factory):
    """A revised mix around the sheet with a release changed, a stage taken out and another target."""
    folder = tmp_path_factory.mktemp("revised")
    mix = read_mix(brief_mix)
    write_wav(folder / "new.wav", mix.samples * mix.samples.dtype.type(0.5), mix.rate_hz, 1)
    sheet = json.loads(json.dumps(earlier[0]))
    sheet["stages"] = [s for s in sheet["stages"] if s["stage"] != "transient"]
    for stage in sheet["stages"]:
        if stage["stage"] == "limiter":
            stage["settings"]["release_ms"] = 33.3333
    changed = folder / "changed.json"
    changed.write_text(json.dumps(sheet), encoding="utf-8")
    return *asked(folder / "new.wav", folder / "out", "--around", changed, "--loudest-part", -8), sheet, folder


def test_nothing_changed_searches_near_the_point_with_the_stages_that_are_there(earlier, again):
    was, now = earlier[0], again[0]
    assert now["search"]["chosen_from"] == "suggestion"
    assert [s["stage"] for s in now["stages"]] == [s["stage"] for s in was["stages"]]
    # Descent stays within the share of each range, up to the digits that the sheet keeps.
    ranges = CONFIG.search.ranges
    for name, a, b in zip(
        Coordinates.model_fields, to_vector(point_of(was), ranges), to_vector(point_of(now), ranges), strict=True
    ):
        assert abs(a - b) <= SHARE + 1e-5, name
    assert now["target"] == was["target"]
    for sheet in (was, now):
        assert sheet["provenance"]["request"]["locks"] == {"transient.window_ms": 30.0}
    assert now["around"]["same_mix"]
    assert now["around"]["decided"] == {}


def test_the_baselines_are_still_among_the_trials_and_none_that_keeps_the_locks_is_better(again):
    now = again[0]
    assert set(now["baselines"]) == {"limiter_only", "trade_default"}
    assert now["costs"]["score"] <= now["baselines"]["trade_default"]["score"]


def test_what_moved_is_every_difference_between_the_sheets(earlier, again, revised):
    for was, now in ((earlier[0], again[0]), (revised[2], revised[0])):
        before, after = settings_of(was), settings_of(now)
        told = {f"{m['stage']}.{m['parameter']}": (m["was"], m["now"]) for m in now["moved"]}
        names = before.keys() | after.keys()
        assert told == {n: (before.get(n), after.get(n)) for n in names if before.get(n) != after.get(n)}


def test_a_revised_mix_keeps_what_was_decided_and_derives_the_rest(earlier, revised, libebur128_loudest):
    was, (now, ran, _, folder) = earlier[0], revised
    before, after = settings_of(was), settings_of(now)
    assert after["limiter.release_ms"] == 33.3333
    assert not any(name.startswith("transient.") for name in after)
    assert now["provenance"]["request"]["locks"] == {"limiter.release_ms": 33.3333}
    assert "transient" in now["provenance"]["request"]["without"]
    # The mix is 6 dB lower, the target 2 at most; the rotation is as it was heard.
    assert after["drive.gain_db"] > before["drive.gain_db"]
    assert after.get("rotation.angle_deg") == before.get("rotation.angle_deg")
    assert not now["around"]["same_mix"]
    assert now["around"]["target"] == was["target"]
    assert now["after"]["max_short_term_lufs"] == pytest.approx(-8.0, abs=0.1)
    text = (folder / "out" / "new.sheet.md").read_text(encoding="utf-8")
    said = text[text.index("## What moved") : text.index("## What it costs")]
    assert "around changed.json. The mix is a different file, the target was -8.0 LUFS under -1.0 dBTP" in said
    assert "locked since: limiter.release_ms=33.3333" in said
    assert f"| drive | gain | {before['drive.gain_db']:.1f} dB | {after['drive.gain_db']:.1f} dB |" in said
    assert "around changed.json: the target is asked for now" in ran.err


def test_the_sheet_of_another_song_is_refused_without_a_yes(command, earlier, small_plan, tmp_path):
    other = tmp_path / "other.wav"
    # Louder and softer from one second to the next, as the sheet's song is not.
    turned = np.repeat([1.0, 0.3] * 6, 44100)[:, None]
    write_wav(other, (pink_noise(12.0, 44100, -16.0) * turned).astype(np.float32), 44100, 1)
    ask = ("suggest", other, "--config", small_plan, "--budget", 2, "-o", tmp_path / "out", "--around", earlier[1])
    ran = command(*ask)
    assert ran.code == 2
    assert ran.out == ""
    for word in ("other.wav seems to be another song", "brief.sheet.json", "--another-song"):
        assert word in ran.err
    assert not (tmp_path / "out").exists()
    assert command(*ask, "--another-song", "--no-sound").code in (0, 3)


def test_yes_to_another_song_means_nothing_without_a_sheet(command, brief_mix, tmp_path):
    ran = command("suggest", brief_mix, "--another-song", "-o", tmp_path / "out")
    assert ran.code == 2
    assert "--around" in ran.err


def test_a_sheet_that_says_nothing_of_its_song_lets_every_mix_pass(brief_mix):
    mix = read_mix(brief_mix)
    assert another_song(replace(SHEET, mix_sha256="0"), mix) is None
    with pytest.raises(SheetError, match=r"song.sheet.json: mix.course cannot be read"):
        another_song(replace(SHEET, mix_sha256="0", fingerprint={"40_250_hz": "loud"}), mix)


def test_a_choice_is_locked_by_its_word_and_told_by_it():
    asked = parse_decisions(["limiter.release_behaviour=by_work"], [])
    changed_choice = replace(
        SHEET, stages={**STAGE_SETTINGS, "limiter": {**STAGE_SETTINGS["limiter"], "release_behaviour": "two_stage"}}
    )
    with pytest.raises(SheetError, match=r"release_behaviour=two_stage, but --lock gives .*=by_work"):
        stay_near(changed_choice, asked, CONFIG)
    decided, _ = stay_near(replace(SHEET, locks={"limiter.release_behaviour": "by_work"}), Decisions(), CONFIG)
    assert decided == asked


@pytest.mark.parametrize(
    ("stage", "values", "words"),
    [
        ("limiter", {"release_behaviour": "even"}, "'even'; it can be fixed, by_work, two_stage. Choose one of them"),
        ("limiter", {"release_behaviour": 0.0}, "0.0; it can be fixed, by_work, two_stage. Choose one of them"),
        ("transient", {"focus_low_hz": 200.0}, "transient.focus_low_hz is not a parameter. Did you mean band_low_hz?"),
    ],
)
def test_a_word_that_settings_no_longer_have_is_refused_with_what_there_is(stage, values, words):
    with pytest.raises(ParameterError, match=r"song\.sheet\.json: ") as caught:
        stay_near(changed(stage, **values), Decisions(), CONFIG)
    assert words in str(caught.value)


def test_a_sheet_is_a_source_and_never_replaced(command, earlier, brief_mix, small_plan):
    held = earlier[1].read_bytes()
    ran = command(
        "suggest", brief_mix, "--config", small_plan, "-o", earlier[1].parent, "--around", earlier[1], "--force"
    )
    assert ran.code == 2
    assert "brief.sheet.json" in ran.err
    assert earlier[1].read_bytes() == held


STAGE_SETTINGS = {
    name: {p.name: p.default for p in STAGES[name].parameters}
    for name in ("drive", "clipper", "limiter", "output")
}
SHEET = EarlierSheet(
    file="song.sheet.json",
    sha256="",
    mix_sha256="",
    target=Target(lufs=-9.0, ceiling_dbtp=-1.0),
    stages=STAGE_SETTINGS,
    found={f"{stage}.{name}": value for stage, own in STAGE_SETTINGS.items() for name, value in own.items()},
    point=CONFIG.search.trade_default,
    locks={},
    without=frozenset(),
    seed=1,
)


def changed(stage, **values):
    return replace(SHEET, stages={**STAGE_SETTINGS, stage: {**STAGE_SETTINGS.get(stage, {}), **values}})


def without(stage):
    return replace(SHEET, stages={name: own for name, own in STAGE_SETTINGS.items() if name != stage})


@pytest.mark.parametrize(
    ("sheet", "locks", "left_out", "words"),
    [
        (
            changed("limiter", release_ms=77.0), ["limiter.release_ms=99"], [],
            ("song.sheet.json", "limiter.release_ms=77", "--lock", "limiter.release_ms=99"),
        ),
        (
            changed("clipper", softness=12.0), [], ["clipper"],
            ("song.sheet.json", "clipper.softness=12", "--without clipper"),
        ),
        (
            without("clipper"), ["clipper.softness=3"], [],
            ("clipper was taken out of song.sheet.json", "--lock clipper.softness"),
        ),
        (without("limiter"), [], [], ("song.sheet.json", "no limiter", "Put it back")),
        (changed("output", trim_db=-2.0), [], [], ("output.trim_db", "--ceiling")),
        (replace(SHEET, point=None), [], [], ("song.sheet.json", "gain alone", "without --around")),
        (
            replace(SHEET, stages={**STAGE_SETTINGS, "clipper": {"softness": 30.0}}), [], [],
            ("song.sheet.json", "clipper.ceiling_dbfs was taken out", "Put it back"),
        ),
    ],
)  # fmt: skip
def test_a_sheet_that_contradicts_what_is_asked_names_both_sides(sheet, locks, left_out, words):
    with pytest.raises(SheetError) as caught:
        stay_near(sheet, parse_decisions(locks, left_out), CONFIG)
    for word in words:
        assert word in str(caught.value)


@pytest.mark.parametrize("name", ["limiter", "drive", "output", "limitr"])
def test_a_sheet_that_leaves_out_what_cannot_be_is_refused(name):
    with pytest.raises(SheetError, match=f"song.sheet.json: provenance.request.without has '{name}'"):
        stay_near(replace(SHEET, without=frozenset({name})), Decisions(), CONFIG)


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (changed("limiter", release_ms=1e9), ("song.sheet.json", "limiter.release_ms is 1e+09 ms", "2 to 1000 ms")),
        (changed("limiter", relase_ms=30.0), ("song.sheet.json", "relase_ms", "Did you mean release_ms")),
        (changed("limitr", release_ms=30.0), ("song.sheet.json", "'limitr' is not a stage", "Did you mean limiter")),
    ],
)
def test_a_value_that_no_chain_has_is_told_with_the_sheet(sheet, words):
    with pytest.raises(ParameterError) as caught:
        stay_near(sheet, Decisions(), CONFIG)
    for word in words:
        assert word in str(caught.value)


def test_a_chain_of_the_configuration_that_does_not_hold_the_sheet_names_both(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[chain]\norder = ["drive", "limiter", "output"]\n', encoding="utf-8")
    with pytest.raises(ParameterError, match=r"song.sheet.json: clipper is left out of chain.order"):
        stay_near(SHEET, Decisions(), read_config(path))
    path.write_text("[chain.limiter]\nrelease_ms = { low = 100.0 }\n", encoding="utf-8")
    with pytest.raises(SheetError) as caught:
        stay_near(changed("limiter", release_ms=50.0), Decisions(), read_config(path))
    for word in ("song.sheet.json has limiter.release_ms=50.0", "chain.limiter.release_ms of the configuration", "100"):
        assert word in str(caught.value)


def test_newer_decisions_replace_the_older_ones():
    locks = {"limiter.release_ms": 80.0, "clipper.softness": 30.0}
    made_with = replace(SHEET, locks=locks, without=frozenset({"transient"}))
    decided, near = stay_near(
        replace(made_with, stages={**SHEET.stages, "limiter": {**STAGE_SETTINGS["limiter"], "release_ms": 77.0}}),
        parse_decisions(["transient.onset_db=1"], ["clipper"]),
        CONFIG,
    )
    assert decided.locks.plain() == {"limiter": {"release_ms": 77.0}, "transient": {"onset_db": 1.0}}
    assert decided.without == {"clipper"}
    assert near.decided == decided.locks


def test_what_a_search_moves_is_not_held_and_the_rest_is():
    decided, near = stay_near(SHEET, Decisions(), CONFIG)
    assert decided == Decisions()
    assert set(near.held["limiter"]) == {"attack_ms", "release_behaviour"}
    assert set(near.held["clipper"]) == {"oversampling"}
    settled = near.settled(decided, STAGES)
    assert settled.without == STAGES.keys() - STAGE_SETTINGS.keys()
    # Only what is asked for is put under the decisions.
    assert near.settled(decided, ["rotation"]) == Decisions(without=frozenset({"rotation"}))


@pytest.mark.parametrize("place", [0.0, 0.05, 0.5, 1.0])
def test_ranges_reach_a_share_of_the_whole_to_either_side_and_no_further(place):
    whole = CONFIG.search.ranges
    start = from_vector([place] * len(Coordinates.model_fields), whole)
    _, near = stay_near(replace(SHEET, point=start), Decisions(), CONFIG)
    narrow = ranges_near(near.start, whole, SHARE)
    for end, wanted in ((0, max(0.0, place - SHARE)), (1, min(1.0, place + SHARE))):
        corner = Coordinates(**{name: getattr(narrow, name)[end] for name in Coordinates.model_fields})
        assert to_vector(corner, whole) == pytest.approx([wanted] * len(Coordinates.model_fields))
