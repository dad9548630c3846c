"""A hand that has only the printed sheet sets every stage from it, and gets what the sheet promises."""

import re
from dataclasses import replace

import pytest

from autochain.audio.files import read_mix
from autochain.chain.chain import DEFAULT, STAGES
from autochain.chain.parameter import Parameter
from autochain.chain.settings import StageSettings
from autochain.demo import CHARACTERS
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.sheet import Sheet, to_markdown
from autochain.sheet.model import FindingEntry, NoteEntry, SensitivityEntry
from autochain.sheet.report import LEFT_AT_DEFAULT, TO_LOCK
from autochain.sheet.settings import setting_text
from autochain.solve.decisions import parse_decisions

PROMISED_DB = 0.05


def cells(line):
    return [cell.strip() for cell in re.split(r"(?<!\\)\|", line.strip().strip("|"))]


def table_under(markdown, heading):
    lines = markdown[markdown.index(f"{heading}\n") :].splitlines()
    rows = [cells(line) for line in lines[: lines.index("", 2)] if line.startswith("|")]
    head, rule, *body = rows
    assert set(rule) == {"---"}
    return [dict(zip(head, row, strict=True)) for row in body]


def read_setting(stage, text):
    """`label value unit`, `label word` or `label off`, as a hand reads it: the longest label that fits."""
    bands = [stage.parameter(f"band{k}_{p.name}") for k in range(1, 4) for p in stage.band]
    fitting = [p for p in (*stage.parameters, *bands) if text.startswith(f"{p.label} ")]
    parameter = max(fitting, key=lambda p: len(p.label))
    value, *unit = text[len(parameter.label) :].split()
    if parameter.choices:
        assert not unit
        return parameter.name, value
    if value == "off":
        assert parameter.off is not None
        return parameter.name, parameter.off
    assert unit == ([parameter.unit] if parameter.unit else [])
    return parameter.name, float(value)


def settings_from(markdown):
    by_label = {stage.label: stage for stage in STAGES.values()}
    assert len(by_label) == len(STAGES)
    settings = {}
    rows = [row for row in table_under(markdown, "## What to set") if row["#"]]  # without other ways to set a stage
    for place, row in enumerate(rows, 1):
        assert row["#"] == str(place)
        stage = by_label[row["stage"]]
        texts = [] if row["set"] == "as listed below" else row["set"].split("; ")
        settings[stage.name] = dict(read_setting(stage, text) for text in texts)
    usual = next((line for line in markdown.splitlines() if line.startswith(LEFT_AT_DEFAULT)), "")
    for part in filter(None, usual.removeprefix(LEFT_AT_DEFAULT).removesuffix(".").split("; ")):
        label, _, texts = part.strip().partition(": ")
        stage = by_label[label]
        settings[stage.name].update(read_setting(stage, text) for text in texts.split(", "))
    return settings


def knobs(stage, settings):
    """Names of what a hand has to set: all but what the other settings make meaningless."""
    values = StageSettings(settings)
    return {p.name for p in stage.of(values) if stage.applies(values, p.name)}


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_printed_settings_alone_give_the_promised_result(demo_run, character):
    run = demo_run(character)
    settings = settings_from(run.markdown)
    # Nothing may be left to a default: every knob of every stage is printed.
    in_json = {s["stage"]: s["settings"] for s in run.sheet["stages"]}
    assert all(set(settings[name]) == knobs(STAGES[name], in_json[name]) for name in settings)
    mix = read_mix(run.mix)
    heard = DEFAULT.render(mix.samples, mix.rate_hz, DEFAULT.checked(settings)).samples
    after = run.sheet["after"]
    assert integrated_lufs(weighted_hops(heard, mix.rate_hz)) == pytest.approx(
        after["integrated_lufs"], abs=PROMISED_DB
    )
    assert read_true_peak(heard, mix.rate_hz).highest_dbtp == pytest.approx(after["true_peak_dbtp"], abs=PROMISED_DB)


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_printed_settings_are_those_of_the_json_in_chain_order(demo_run, character):
    run = demo_run(character)
    printed = settings_from(run.markdown)
    assert list(printed) == [s["stage"] for s in run.sheet["stages"]] == [s for s in STAGES if s in printed]
    for entry in run.sheet["stages"]:
        meant = knobs(STAGES[entry["stage"]], entry["settings"])
        assert printed[entry["stage"]] == {name: entry["settings"][name] for name in meant}


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_sheet_names_every_setting_as_the_command_line_takes_it(demo_run, character):
    run = demo_run(character)
    line = next(line for line in run.markdown.splitlines() if TO_LOCK in line)
    told = {}
    for part in line[line.index(TO_LOCK) + len(TO_LOCK) :].rstrip(".").split("; "):
        stage, names = part.strip().split(": ")
        told[stage] = names.split(", ")
    for entry in run.sheet["stages"]:
        stage = STAGES[entry["stage"]]
        # The trim is what holds the ceiling: nobody sets it.
        assert set(told[stage.name]) == knobs(stage, entry["settings"]) - {"trim_db"}
    for stage, names in told.items():
        for name in names:
            value = next(e["settings"][name] for e in run.sheet["stages"] if e["stage"] == stage)
            assert parse_decisions([f"{stage}.{name}={value}"], []).locks
    assert parse_decisions([re.search(r"`--lock (.*?)`", line)[1]], []).locks


def test_what_matters_most_names_its_settings_as_the_command_line_does(demo_run):
    run = demo_run("dense_rock")
    rows = table_under(run.markdown, "## What matters most here")
    assert rows
    for row, entry in zip(rows, run.sheet["sensitivity"], strict=True):
        name = row["to lock"].strip("`")
        assert name == f"{entry['stage']}.{entry['parameter']}"
        assert parse_decisions([f"{name}={entry['value']}"], []).locks


def test_the_trade_default_is_explained_where_it_is_first_named(demo_run):
    run = demo_run("dense_rock")
    first = run.markdown.index("trade default")
    assert run.markdown[first:].startswith("trade default (every stage at usual settings)")


ALL = [
    (stage, parameter)
    for stage in STAGES.values()
    for parameter in (*stage.parameters, *(stage.parameter(f"band2_{p.name}") for p in stage.band))
]


@pytest.mark.parametrize(("stage", "parameter"), ALL, ids=[f"{s.name}.{p.name}" for s, p in ALL])
def test_every_settable_value_can_be_read_back_from_its_text(stage, parameter):
    span = parameter.high - parameter.low
    values = list(parameter.choices)
    if not values:
        values = [parameter.rounded(parameter.low + span * share / 97.0) for share in range(98)]
        values += [parameter.low, parameter.high, parameter.default]
        values += [parameter.low + span / 3.0 - (parameter.low + span / 3.0) % 0.001]  # a lock between the steps
    if parameter.off is not None:
        values.append(parameter.off)
    if parameter.whole:
        values = [float(k) for k in range(round(parameter.low), round(parameter.high) + 1)]
    for value in values:
        name, read = read_setting(stage, setting_text(parameter, value))
        assert name == parameter.name
        read = parameter.parsed(read, stage.name)
        assert read == (value if parameter.choices else pytest.approx(value, abs=1e-6))


def test_labels_of_a_stage_are_told_apart_and_hold_no_separator():
    for stage in STAGES.values():
        labels = [p.label for p in (*stage.parameters, *stage.band)]
        assert len(set(labels)) == len(labels)
        assert not any(set(";|,:") & set(label) for label in labels)


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        (("limiter", "ceiling_dbtp"), -1.0, "ceiling -1.0 dBTP"),
        (("limiter", "release_ms"), 120.0, "release 120 ms"),
        (("drive", "gain_db"), -0.0, "gain 0.0 dB"),
        (("peak_compressor", "attack_ms"), 0.35, "attack 0.35 ms"),
        (("bus_compressor", "sidechain_hpf_hz"), 0.0, "side-chain high-pass off"),
        (("bus_compressor", "ratio"), 2.0, "ratio 2.0"),
    ],
)
def test_a_setting_reads_as_an_engineer_writes_it(name, value, text):
    parameter = STAGES[name[0]].parameter(name[1])
    assert isinstance(parameter, Parameter)
    assert setting_text(parameter, value) == text


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_result_stands_first_with_target_and_mix(demo_run, character):
    run = demo_run(character)
    title, blank, first = run.markdown.splitlines()[:3]
    assert title == f"# Master settings: {character}.wav"
    assert blank == ""
    after, before = run.sheet["after"], run.sheet["before"]
    both = f"{after['integrated_lufs']:.1f} LUFS, {after['max_short_term_lufs']:.1f} in the loudest 3 s"
    assert f"Target reached: {both}, at {after['true_peak_dbtp']:.1f} dBTP" in first
    assert f"wanted {run.target_lufs:.1f} LUFS under -1.0 dBTP" in first
    assert f"the mix has {before['integrated_lufs']:.1f} LUFS" in first


def test_a_file_name_with_a_bar_breaks_no_table(demo_run):
    plain = Sheet.model_validate(demo_run("sparse_acoustic").sheet)
    odd = plain.model_copy(update={"mix": plain.mix.model_copy(update={"file": "a | b.wav"})})
    assert to_markdown(odd).splitlines()[1:] == to_markdown(plain).splitlines()[1:]


def test_a_file_name_cannot_break_the_heading(demo_run):
    plain = Sheet.model_validate(demo_run("sparse_acoustic").sheet)
    odd = plain.model_copy(update={"mix": plain.mix.model_copy(update={"file": "one\n# two *<b> [my_mix].wav"})})
    title, *rest = to_markdown(odd).splitlines()
    # CommonMark 0.31, 2.4: a backslash takes a sign's meaning away.
    assert title == r"# Master settings: one\n# two \*\<b> \[my_mix].wav"
    assert rest == to_markdown(plain).splitlines()[1:]


@pytest.mark.parametrize("character", CHARACTERS)
def test_every_table_is_rectangular_and_every_cue_lies_in_the_song(demo_run, character):
    run = demo_run(character)
    for heading in ("## What to set", "## What it costs", "## Before and after"):
        assert table_under(run.markdown, heading)  # zip(strict=True) refuses a ragged row
    times = re.findall(r"\b(\d+):(\d\d\.\d)\b", run.markdown)
    assert times
    assert all(60 * int(m) + float(s) <= run.sheet["mix"]["duration_s"] for m, s in times)
    assert not re.search(r"\b(nan|inf|None)\b", run.markdown)


@pytest.mark.parametrize(
    ("name", "fine", "fault", "row"),
    [
        ("channel_imbalance_db", -0.9, -1.6, ["left louder than right", "-1.6 dB"]),
        ("dc_left_dbfs", -61.0, -40.0, ["DC offset, left", "-40 dBFS"]),
        ("dc_right_dbfs", None, -40.0, ["DC offset, right", "-40 dBFS"]),
        ("subsonic_db", -35.0, -12.0, ["energy below 20 Hz, of the whole", "-12 dB"]),
    ],
)
def test_a_fault_gets_a_row_only_when_it_is_there(demo_run, name, fine, fault, row):
    plain = Sheet.model_validate(demo_run("sparse_acoustic").sheet)

    def rows(value):
        sheet = plain.model_copy(update={"before": replace(plain.before, **{name: value})})
        return [list(line.values())[:2] for line in table_under(to_markdown(sheet), "## Before and after")]

    assert row[0] not in [line[0] for line in rows(fine)]
    assert row in rows(fault)


def test_counts_are_printed_as_whole_numbers(demo_run):
    plain = Sheet.model_validate(demo_run("sparse_acoustic").sheet)
    sheet = plain.model_copy(update={"before": replace(plain.before, clipped_runs=17)})
    [row] = [line for line in table_under(to_markdown(sheet), "## Before and after") if "clipped" in line["figure"]]
    assert row["mix"] == "17"


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({}, None),
        ({"hard_clip": 0.46, "release_straight": 0.1}, "up to 0.5 points more; most with a clipper without softness."),
        ({"hard_clip": -0.4, "release_straight": 0.04}, "the same settings cost no more."),
        ({"hard_clip": 0.4, "release_straight": None}, "With a release that gives 10 dB back in its time these"),
    ],
)
def test_a_sentence_says_what_the_settings_cost_on_other_tools(demo_run, changes, sentence):
    plain = Sheet.model_validate(demo_run("dense_rock").sheet)
    markdown = to_markdown(plain.model_copy(update={"other_hands": changes}))
    if sentence is None:
        assert "With other" not in markdown
        return
    assert sentence in markdown
    if None not in changes.values():
        stages = {entry.stage for entry in plain.stages}
        line = next(line for line in markdown.splitlines() if line.startswith("With other"))
        assert ("compressors" in line.split("same")[0]) == bool(stages & {"bus_compressor", "peak_compressor"})
        assert ("clippers" in line.split("same")[0]) == ("clipper" in stages)


def test_a_search_has_told_what_its_settings_cost_on_other_tools(demo_run):
    for character in CHARACTERS:
        run = demo_run(character)
        assert run.sheet["other_hands"]
        most = max(run.sheet["other_hands"].values())
        assert ("cost no more" in run.markdown) == (most < 0.05)
        assert most < 0.05 or f"cost up to {most:.1f} points more" in run.markdown


def test_what_matters_most_reads_as_ranges_in_the_units_of_the_sheet(demo_run):
    plain = Sheet.model_validate(demo_run("dense_rock").sheet)
    told = {"stage": "clipper", "parameter": "ceiling_dbfs", "step_to": 2.4, "score_change": 0.31, "value": 1.4}
    ends = [(0.9, 2.1), (None, 2.1), (0.9, None), (None, None)]
    entries = [SensitivityEntry(**told, low=low, high=high, listen_for="a | b") for low, high in ends]
    markdown = to_markdown(plain.model_copy(update={"sensitivity": tuple(entries)}))
    rows = table_under(markdown, "## What matters most here")
    assert [row["may move"] for row in rows] == [
        "0.9 dBFS to 2.1 dBFS",
        "bottom of its range to 2.1 dBFS",
        "0.9 dBFS to top of its range",
        "anywhere in its range",
    ]
    assert {row["setting"] for row in rows} == {"soft clipper: ceiling"}
    assert {row["score if moved one step"] for row in rows} == {"+0.31 at 2.4 dBFS"}
    assert "by 0.25 at most." in markdown
    assert "## What matters most here" not in to_markdown(plain.model_copy(update={"sensitivity": ()}))


def test_costs_show_their_share_of_the_score_and_how_far_trials_moved_them(demo_run):
    run = demo_run("dense_rock")
    rows = {row["cost"]: row for row in table_under(run.markdown, "## What it costs")}
    crest = rows["crest lost, dB"]
    spread = run.sheet["search"]["spread"]["crest_loss_db"]
    assert crest["trials"] == f"{spread['low']:.1f} to {spread['high']:.1f}"
    assert crest["in score"] == f"{run.sheet['contributions']['crest_loss_db']:.2f}"
    assert rows["loudest part raised, LU"]["weight"] == "not priced"
    assert all(row["meaning"] for name, row in rows.items() if not name.startswith("loudness reached"))


def test_a_missed_target_leads_with_the_nearest_and_what_to_change_and_not_with_settings(demo_run):
    plain = Sheet.model_validate(demo_run("sparse_acoustic").sheet)
    why = NoteEntry(code="target_missed", text="Reached -9.4 LUFS.", suggestion="Choose a quieter target.")
    sheet = plain.model_copy(update={"met": False, "notes": (why, *plain.notes)})
    lines = to_markdown(sheet).splitlines()
    assert lines[2].startswith("**Target NOT reached; the nearest is ")
    assert lines[4] == "Reached -9.4 LUFS. **Choose a quieter target.**"
    markdown = "\n".join(lines)
    assert markdown.count("Choose a quieter target.") == 1
    assert "## What to set" not in markdown
    told = markdown.index("## The nearest settings found")
    assert markdown.index("They miss the target") < markdown.index("| # | stage |", told)


@pytest.mark.parametrize(
    ("verdict", "begins"), [("revisit", "**First go back to the mix: click.**"), ("ready", "Mix: ready.")]
)
def test_the_verdict_on_the_mix_stands_out_where_it_sends_one_back(demo_run, verdict, begins):
    plain = Sheet.model_validate(demo_run("sparse_acoustic").sheet)
    click = FindingEntry(code="click", text="x", suggestion="y", value=None, unit="", times_s=(), sends_back=True)
    found = (click,) if verdict == "revisit" else ()
    readiness = plain.readiness.model_copy(update={"verdict": verdict, "findings": found})
    first_screen = to_markdown(plain.model_copy(update={"readiness": readiness})).splitlines()[:9]
    assert any(line.startswith(begins) for line in first_screen)
