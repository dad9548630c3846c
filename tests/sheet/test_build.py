"""What the sheet says of the stages, the meters and the request is what the chain did."""

import hashlib
import json

import numpy as np
import pytest
import soundfile

import autochain
from autochain.audio.files import read_mix
from autochain.chain.chain import DEFAULT, STAGES
from autochain.config import Coordinates, read_config
from autochain.demo import CHARACTERS
from autochain.search.costs import COST_NAMES, Costs
from autochain.search.front import GROUPS, objectives
from autochain.search.sensitivity import free_knobs
from autochain.sheet.words import WHILE_MOVING
from tests.conftest import DEMO_TRIALS


def settings_of(sheet):
    return DEFAULT.checked({stage["stage"]: stage["settings"] for stage in sheet["stages"]})


@pytest.mark.parametrize("character", CHARACTERS)
def test_mix_facts_are_those_of_the_file(demo_run, character):
    run = demo_run(character)
    info = soundfile.info(run.mix)
    assert {name: value for name, value in run.sheet["mix"].items() if name != "course"} == {
        "file": run.mix.name,
        "sha256": hashlib.sha256(run.mix.read_bytes()).hexdigest(),
        "rate_hz": info.samplerate,
        "channels": info.channels,
        "duration_s": round(info.duration, 3),
        "subtype": info.subtype,
    }


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_mix_reads_before_as_libebur128_reads_it(demo_run, libebur128, character):
    run = demo_run(character)
    loudness, peak = libebur128(run.mix)
    assert run.sheet["before"]["integrated_lufs"] == pytest.approx(loudness, abs=0.02)
    assert run.sheet["before"]["true_peak_sinc49_dbtp"] == pytest.approx(peak, abs=0.02)


@pytest.mark.parametrize("character", CHARACTERS)
def test_meters_show_the_reduction_found_between_input_and_output(demo_run, character):
    """The limiter's and compressors' largest reduction, read from the signals instead of their traces."""
    run = demo_run(character)
    mix = read_mix(run.mix)
    entries = {stage["stage"]: stage for stage in run.sheet["stages"]}
    found = {}

    def observe(stage, before, processed):
        if stage.name in ("limiter", "bus_compressor", "peak_compressor"):
            after = processed.samples
            usable = np.abs(before) > 1e-3
            ratio = np.where(usable, np.abs(after) / np.where(usable, np.abs(before), 1.0), 1.0).min(axis=1)
            found[stage.name] = (-20.0 * np.log10(ratio.min()), float(ratio.argmin()) / mix.rate_hz)

    DEFAULT.render(mix.samples, mix.rate_hz, settings_of(run.sheet), observe=observe)
    assert "limiter" in found
    for name, (most_db, at_s) in found.items():
        meter = entries[name]["reduction_db"]
        # A gain applied to both channels alike; where both are near zero the lowest gain may be missed.
        assert meter["max"] == pytest.approx(most_db, abs=0.1)
        if most_db > 0.5:
            assert meter["max_at_s"] == pytest.approx(at_s, abs=0.05)
        assert 0.0 <= meter["typical"] <= meter["max"]


@pytest.mark.parametrize("character", CHARACTERS)
def test_trims_add_up_to_the_loudness_gained_in_the_loudest_part(demo_run, character):
    run = demo_run(character)
    gained = -sum(stage["trim_db"] for stage in run.sheet["stages"])
    last, first = run.sheet["stages"][-1], run.sheet["stages"][0]
    out = last["input"]["short_term_lufs"] - last["trim_db"]
    assert out - first["input"]["short_term_lufs"] == pytest.approx(gained, abs=0.01)
    # The loudest 3 s of the mix stay about the loudest of the master.
    assert out == pytest.approx(run.sheet["after"]["max_short_term_lufs"], abs=1.0)
    levels = [stage["input"]["short_term_lufs"] for stage in run.sheet["stages"]]
    for stage, here, following in zip(run.sheet["stages"], levels, levels[1:], strict=False):
        assert here - stage["trim_db"] == pytest.approx(following, abs=0.003)


def test_every_stage_that_works_says_what_to_listen_for_and_when(demo_run):
    for character in CHARACTERS:
        for stage in demo_run(character).sheet["stages"]:
            reduction = stage["reduction_db"]
            idle = reduction is not None and abs(reduction["max"]) < 0.3  # dB, a limit of this project
            assert tuple(stage["listen_for"]) == (() if idle else STAGES[stage["stage"]].listen_for)
            assert idle or stage["listen_for"]
            assert stage["cues_s"] == sorted(stage["cues_s"])
            assert 1 <= len(stage["cues_s"]) <= 2


def test_the_request_is_reproduced_whole(demo_run):
    run = demo_run("dense_rock")
    request = dict(run.sheet["provenance"]["request"])
    target = {"lufs": -8.0, "ceiling_dbtp": -1.0}
    config = read_config(run.mix.with_name("plan.toml"), {"target": target, "search": {"budget": DEMO_TRIALS}})
    values = config.model_dump(mode="json")
    assert values.pop("learned") is None  # where nothing was learned, the hash is that of earlier versions
    assert values.pop("tools") == {"files": []}  # what tools hold a search to stands in the chain
    canonical = json.dumps(values, sort_keys=True, separators=(",", ":"))
    assert request.pop("config_sha256") == hashlib.sha256(canonical.encode()).hexdigest()
    assert request == {
        "lufs": -8.0,
        "loudest_part_lufs": None,
        "ceiling_dbtp": -1.0,
        "locks": {},
        "without": [],
        "references": {},
        "choices_sha256": None,
        "seed": 1,
        "budget": DEMO_TRIALS,
        "batch": 4,
    }
    assert run.sheet["provenance"]["versions"]["autochain"] == autochain.__version__
    assert run.sheet["provenance"]["versions"]["numpy"] == np.__version__


@pytest.mark.parametrize("character", CHARACTERS)
def test_what_was_found_is_on_the_sheet_once_more_with_the_point_it_came_from(demo_run, character):
    sheet = demo_run(character).sheet
    stages = {f"{s['stage']}.{name}": value for s in sheet["stages"] for name, value in s["settings"].items()}
    assert sheet["search"]["found"] == stages
    point = sheet["search"]["coordinates"]
    assert set(point) == set(Coordinates.model_fields)
    release = STAGES["limiter"].parameter("release_ms")
    assert release.rounded(point["limiter_release_ms"]) == stages["limiter.release_ms"]
    assert (point["clip_share"] > 0.0) == ("clipper.ceiling_dbfs" in stages)


@pytest.mark.parametrize("character", CHARACTERS)
def test_what_the_costs_contribute_adds_up_to_the_score(demo_run, character):
    sheet = demo_run(character).sheet
    assert sheet["contributions"].keys() == sheet["weights"].keys()
    # Ten terms and a sum, each printed to a thousandth.
    assert sum(sheet["contributions"].values()) == pytest.approx(sheet["costs"]["score"], abs=11 * 0.0005)
    for name in ("crest_loss_db", "gain_movement_db", "contrast_loss_lu"):  # those without a knee: weight times value
        plain = sheet["weights"][name] * sheet["costs"][name]
        # A cost is printed to a thousandth, and its share too.
        half = 0.0005 * (1.0 + sheet["weights"][name])
        assert sheet["contributions"][name] == pytest.approx(plain, abs=half + 1e-9)


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_spread_of_a_cost_lies_around_what_the_trials_gave(demo_run, character):
    sheet = demo_run(character).sheet
    spread = sheet["search"]["spread"]
    assert spread.keys() == sheet["weights"].keys()
    assert all(span["low"] <= span["high"] for span in spread.values())
    # The loudest part never stood out further than in the mix: a guard, not a term.
    assert sheet["weights"]["short_term_overshoot_lu"] == 0.0
    assert spread["short_term_overshoot_lu"]["high"] < 0.3


@pytest.mark.parametrize("character", CHARACTERS)
def test_settings_that_matter_stand_where_the_sheet_sets_them(demo_run, character):
    sheet = demo_run(character).sheet
    settings = {stage["stage"]: stage["settings"] for stage in sheet["stages"]}
    assert len(sheet["sensitivity"]) <= 3
    for found in sheet["sensitivity"]:
        assert settings[found["stage"]][found["parameter"]] == found["value"]
        assert found["step_to"] != found["value"]
        assert found["low"] is None or found["low"] <= found["value"]
        assert found["high"] is None or found["high"] >= found["value"]
        assert found["listen_for"] == WHILE_MOVING[found["stage"], found["parameter"]]


def test_there_are_words_for_every_setting_that_may_be_moved():
    every = {name: dict(stage.checked({}).items()) for name, stage in STAGES.items()}
    for own in every.values():
        own.update({name: max(value, 1.0) for name, value in own.items() if name.endswith("_ms")})
    knobs = free_knobs(every, {}, read_config().search.ranges, read_config().chain_plan)
    assert {(knob.stage, knob.parameter.name) for knob in knobs} == set(WHILE_MOVING)


def points_of(side, chain):
    """Points of one objective, by its costs and the default weights."""
    costs = Costs(**{name: chain["costs"][name] for name in COST_NAMES})
    return objectives(costs, read_config().weights)[list(GROUPS).index(side)]


@pytest.mark.parametrize("character", CHARACTERS)
def test_alternatives_meet_the_target_and_give_a_quarter_of_a_point_back(demo_run, character):
    sheet = demo_run(character).sheet
    names = [other["name"] for other in sheet["alternatives"]]
    assert names == [name for name in ("cleaner", "more_open") if name in names]
    for other in sheet["alternatives"]:
        assert other["met"]
        assert other["after"]["true_peak_dbtp"] <= sheet["target"]["ceiling_dbtp"]
        assert other["after"]["integrated_lufs"] == pytest.approx(sheet["target"]["lufs"], abs=0.1)
        assert other["costs"]["score"] <= sheet["costs"]["score"] + sheet["search"]["neighbours_within"] + 0.001
        side = ["distortion", "openness"][other["name"] == "more_open"]
        assert points_of(side, other) <= points_of(side, sheet) - 0.249
        for name, moved in other["differs"].items():
            assert moved == pytest.approx(other["costs"][name] - sheet["costs"][name], abs=0.002)


@pytest.mark.parametrize("character", ["dense_rock", "brass_led_asymmetric"])
def test_the_sheet_says_of_the_mix_what_the_check_says(demo_run, command, character):
    run = demo_run(character)
    (checked,) = json.loads(command("check", run.mix, "--json").out)
    on_sheet = run.sheet["readiness"]
    assert on_sheet["verdict"] == checked["verdict"]
    assert on_sheet["findings"] == checked["findings"]
    words = {"ready": "ready", "usable": "usable, with remarks"}
    first_screen = run.markdown.splitlines()[:8]
    verdict = checked["verdict"]
    begins = "**First go back to the mix: " if verdict == "revisit" else f"Mix: {words[verdict]}"
    assert [line for line in first_screen if line.startswith(begins)]
    for finding in checked["findings"]:
        assert finding["text"] in run.markdown
