"""Decisions that cannot all hold are refused naming both sides; those that can are kept to the last digit."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autochain.chain.chain import DEFAULT, STAGES
from autochain.chain.settings import ChainSettings
from autochain.config import read_config
from autochain.errors import UsageError
from autochain.search.contradictions import refuse_contradictions
from autochain.search.notes import mono_note
from autochain.search.space import outline_at
from autochain.solve.decisions import Decisions, parse_decisions
from autochain.solve.outline import only_drive_left

CONFIG = read_config()
POINT = CONFIG.search.trade_default


def config_of(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return read_config(path)


@pytest.mark.parametrize(
    ("locks", "words"),
    [
        (["limiter.ceiling_dbtp=-0.5"], ("limiter.ceiling_dbtp=-0.5", "--ceiling -1", "Lower the lock")),
        (
            ["clipper.ceiling_dbfs=-3", "limiter.ceiling_dbtp=-2"],
            ("clipper.ceiling_dbfs=-3", "limiter.ceiling_dbtp=-2", "drop one lock"),
        ),
        (
            ["rotation.kind=allpass", "rotation.angle_deg=30"],
            ("rotation.angle_deg=30", "rotation.kind=allpass", "Drop one"),
        ),
        (
            ["rotation.angle_deg=30", "rotation.kind=allpass"],
            ("rotation.angle_deg=30", "rotation.kind=allpass", "Drop one"),
        ),
        (
            ["equaliser.band1_type=highpass", "equaliser.band1_gain_db=2"],
            ("equaliser.band1_gain_db=2", "equaliser.band1_type=highpass", "Drop one"),
        ),
        (
            ["limiter.lookahead_ms=2", "limiter.attack_ms=3"],
            ("limiter.attack_ms=3", "limiter.lookahead_ms=2", "Drop one"),
        ),
        (
            ["bus_compressor.rms_ms=20"],
            ("bus_compressor.rms_ms=20", "bus_compressor.detector=peak", "Lock bus_compressor.detector as well"),
        ),
    ],
)
def test_locks_that_contradict_the_target_or_each_other_name_both_sides(locks, words):
    with pytest.raises(UsageError) as caught:
        refuse_contradictions(parse_decisions(locks, []), CONFIG)
    for word in words:
        assert word in str(caught.value)


@pytest.mark.parametrize(
    "locks",
    [
        ["limiter.ceiling_dbtp=-1"],
        ["clipper.ceiling_dbfs=-2", "limiter.ceiling_dbtp=-2"],
        ["rotation.kind=allpass", "rotation.freq_hz=300"],
        ["equaliser.band1_type=highpass", "equaliser.band1_freq_hz=30"],
        ["limiter.attack_ms=5"],  # the search finds the look-ahead
        ["bus_compressor.rms_ms=20", "bus_compressor.detector=rms"],
    ],
)
def test_locks_that_fit_together_pass(locks):
    refuse_contradictions(parse_decisions(locks, []), CONFIG)


def test_what_an_earlier_sheet_or_the_configuration_sets_gives_a_lock_its_meaning(tmp_path):
    decided = parse_decisions(["bus_compressor.rms_ms=20"], [])
    refuse_contradictions(decided, CONFIG, ChainSettings({"bus_compressor": {"detector": "rms"}}))
    refuse_contradictions(decided, config_of(tmp_path, '[chain.bus_compressor]\ndetector = "rms"\n'))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "[chain.limiter]\nrelease_ms = { high = 100.0 }\n",
            ("--lock limiter.release_ms=300", "chain.limiter.release_ms", "2 to 100 ms", "Change one of them"),
        ),
    ],
)
def test_a_lock_outside_a_configured_range_names_both_sides(tmp_path, text, words):
    chain = config_of(tmp_path, text).chain_plan
    with pytest.raises(UsageError) as caught:
        parse_decisions(["limiter.release_ms=300"], [], chain)
    for word in words:
        assert word in str(caught.value)


# Everything but what holds the ceiling; bands of the stages that have them included.
LOCKABLE = [
    (stage.name, parameter)
    for stage in STAGES.values()
    for parameter in (*stage.parameters, *(stage.parameter(f"band1_{p.name}") for p in stage.band))
    if (stage.name, parameter.name) != ("output", "trim_db")
]


@given(
    st.lists(st.sampled_from(LOCKABLE), min_size=1, max_size=4, unique_by=lambda pair: (pair[0], pair[1].name)),
    st.data(),
)
def test_any_lock_keeps_its_last_digit_through_trial_and_verification(pairs, data):
    locks, texts = {}, []
    for stage, parameter in pairs:
        value = data.draw(
            st.sampled_from(parameter.choices)
            if parameter.choices
            else st.integers(int(parameter.low), int(parameter.high)).map(float)
            if parameter.whole
            else st.floats(parameter.low, parameter.high)
        )
        locks.setdefault(stage, {})[parameter.name] = value
        texts.append(f"{stage}.{parameter.name}={value}")
    decided = parse_decisions(texts, [])
    assert decided.locks == ChainSettings(locks)
    tried = outline_at(POINT, decided, -1.1)
    verified = only_drive_left(DEFAULT.rounded(tried.settings), decided)
    for found in (tried, verified):
        for stage, own in locks.items():
            for name, value in own.items():
                kept = found.drive_db if (stage, name) == ("drive", "gain_db") else found.settings.value(stage, name)
                assert kept == value


def test_locks_of_many_digits_stand_on_the_sheet_as_given(command, brief_mix, small_plan, tmp_path):
    locks = {
        "clipper.ceiling_dbfs": 1.2345678901, "limiter.release_ms": 33.3333333,
        "bus_compressor.threshold_db": -14.87654321,
        "rotation.angle_deg": -31.23456789, "output.head_silence_ms": 123.456789,
    }  # fmt: skip
    asked = [word for name, value in locks.items() for word in ("--lock", f"{name}={value!r}")]
    ran = command(
        "suggest", brief_mix, "--lufs", -9, "--config", small_plan, "--budget", 6, "-o", tmp_path, "--json", *asked
    )
    assert ran.code in (0, 3), ran.err
    settings = {s["stage"]: s["settings"] for s in json.loads(ran.out)["stages"]}
    for name, value in locks.items():
        stage, _, parameter = name.partition(".")
        assert settings[stage][parameter] == value


def test_bands_on_mid_or_side_of_a_mono_mix_are_told():
    settings = ChainSettings({"equaliser": {"band1_channel": "side", "band1_gain_db": -1.0}})
    assert mono_note(2, settings) == ()
    (note,) = mono_note(1, settings)
    assert "equaliser.band1_channel (side)" in note.text
    assert mono_note(1, {"equaliser": {"band1_channel": 0.0}}) == ()


def test_no_decision_is_no_contradiction():
    refuse_contradictions(Decisions(), CONFIG)
