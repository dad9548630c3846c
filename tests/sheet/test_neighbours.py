"""The columns of settings: the suggestion between its neighbours."""

from dataclasses import asdict

import pytest

from autochain.chain.chain import STAGES
from autochain.sheet import Sheet, to_markdown
from autochain.sheet.model import Alternative

HEADING = "## The neighbours"


def cells(line):
    return [cell.strip() for cell in line.strip().strip("|").split("|")]


def tables(markdown):
    """Every table of the section, as rows of cells."""
    section = markdown[markdown.index(f"{HEADING}\n") :].split("\n## ")[0]
    blocks = [block.splitlines() for block in section.split("\n\n") if block.startswith("|")]
    return [[cells(line) for line in block if not line.startswith("| ---")] for block in blocks]


def with_neighbours(sheet, *, cleaner=None, more_open=None):
    """The sheet of a run beside chains that differ by {stage: {parameter: value}}; None leaves a stage out."""
    found = []
    for name, moved in (("cleaner", cleaner), ("more_open", more_open)):
        if moved is None:
            continue
        stages = []
        for entry in sheet.stages:
            own = moved.get(entry.stage, {})
            if own is not None:
                stages.append(entry.model_copy(update={"settings": {**entry.settings, **own}}))
        costs = {name: value for name, value in asdict(sheet.costs).items() if name != "rotation_saving_db"}
        differs = {cost: 0.0 for cost in costs if cost != "score"} | {"onset_loss_db": -0.7}
        costs = {**costs, "onset_loss_db": costs["onset_loss_db"] - 0.7, "score": costs["score"] + 0.4}
        found.append(
            Alternative(
                name=name, stages=tuple(stages), after=sheet.after, costs=costs, met=True, differs=differs,
                early_work_db=0.8,
            )
        )  # fmt: skip
    return sheet.model_copy(update={"alternatives": tuple(found)})


@pytest.fixture
def sheet(demo_run):
    return Sheet.model_validate({**demo_run("dense_rock").sheet, "alternatives": ()})


def test_settings_stand_in_three_columns_and_what_differs_is_bold(sheet):
    beside = with_neighbours(sheet, cleaner={"limiter": {"release_ms": 321.0}}, more_open={"clipper": None})
    settings, costs = tables(to_markdown(beside))
    assert settings[0] == ["stage", "setting", "cleaner", "suggestion", "more open"]
    rows = {(stage, setting): values for stage, setting, *values in settings[1:]}
    assert len(rows) == len(settings) - 1
    own = rows[("limiter", "release")][1]
    assert rows[("limiter", "release")] == ["**321 ms**", own, own]
    clipped = [values for (stage, _), values in rows.items() if stage == STAGES["clipper"].label]
    assert len(clipped) > 1
    assert [values[2] for values in clipped] == ["**left out**", *[""] * (len(clipped) - 1)]  # once, not at each
    assert all(values[0] == values[1] for values in clipped)
    assert costs[0] == ["cost", "cleaner", "suggestion", "more open"]
    onsets = next(row for row in costs if row[0].startswith("onsets"))
    assert [cell.startswith("**") for cell in onsets[1:]] == [True, False, True]
    assert not any("**" in cell for row in costs[1:-1] if row is not onsets for cell in row)


def test_one_neighbour_leaves_two_columns_and_no_word_of_the_other_side(sheet):
    markdown = to_markdown(with_neighbours(sheet, cleaner={"limiter": {"release_ms": 321.0}}))
    settings, costs = tables(markdown)
    assert settings[0] == ["stage", "setting", "cleaner", "suggestion"]
    assert costs[0] == ["cost", "cleaner", "suggestion"]
    assert "more open" not in markdown[markdown.index(HEADING) :]
    assert "take 0.8 dB more in the loud parts" in markdown


def test_without_neighbours_there_is_no_section(sheet):
    assert HEADING not in to_markdown(sheet)


def test_every_setting_of_the_suggestion_is_in_the_columns(sheet):
    settings, _ = tables(to_markdown(with_neighbours(sheet, cleaner={}, more_open={})))
    names = {row[0] for row in settings[1:]}
    assert names == {STAGES[entry.stage].label for entry in sheet.stages}
    assert not any("**" in cell for row in settings[1:] for cell in row)
