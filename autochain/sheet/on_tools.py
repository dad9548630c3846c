"""The column for the user's own tools: their words, their knobs' positions, what their meters will show."""

from collections.abc import Sequence

from autochain.chain.settings import DRIVE, OUTPUT, StageName
from autochain.document.blocks import Line
from autochain.sheet.model import OnToolsFacts, Sheet, StageOnTool
from autochain.sheet.words import COSTS
from autochain.units import number

# Points of score that are no difference between tools. A limit of this project.
NO_LOSS = 0.1


def with_tools(sheet: Sheet, head: Sequence[str], rows: Sequence[list[Line]]) -> tuple[list[str], list[list[Line]]]:
    """The table of settings with a column behind "set"; rows that are no stage of their own keep it empty."""
    facts = sheet.on_tools
    assert facts is not None
    names = list(dict.fromkeys(one.tool for one in facts.stages))
    name = f"on {names[0]}" if len(names) == 1 else "on your tools"
    told = told_by_stage(facts, several=len(names) > 1)
    # By the number of the row.
    cells = {str(place): told[entry.stage] for place, entry in enumerate(sheet.stages, 1) if entry.stage in told}
    at = list(head).index("set") + 1
    wide = [[*row[:at], cells.get(str(row[0]), ""), *row[at:]] for row in rows]
    return [*head[:at], name, *head[at:]], wide


def tools_told(facts: OnToolsFacts) -> str:
    """What the column means, and what will come out by the models."""
    loud, peak = number(facts.lufs, "LUFS"), number(facts.true_peak_dbtp, "dBTP")
    return (
        f"On your tools: knobs at places that they have, found on this mix with the models of your tools. By these the "
        f"master will have {loud} at {peak}. Set the drive last, by your loudness meter.{_loss_told(facts)}"
    )


def _loss_told(facts: OnToolsFacts) -> str:
    """What the chain costs more there, by what and by which tool."""
    loss = facts.loss
    if loss is None:
        return ""
    score = number(abs(loss.score), decimals=1)
    if loss.score < -NO_LOSS:
        return f" On these tools the score is {score} points lower than with autochain's own stages."
    if loss.score <= NO_LOSS:
        return " On these tools the score is that of autochain's own stages."
    told = f" On these tools the score is {score} points higher than with autochain's own stages"
    if loss.cost is not None:
        told += f", mostly for {COSTS[loss.cost][0].strip()}"
    if loss.stage is not None:
        told += f", most of it by {next(one.tool for one in facts.stages if one.stage == loss.stage)}"
    return f"{told}."


def told_by_stage(facts: OnToolsFacts, *, several: bool) -> dict[StageName, str]:
    """What to set on the tool of every stage, and the drive and the trim; `several` names the tool as well."""
    told = {one.stage: _cell(one, several) for one in facts.stages}
    if facts.drive_db is not None:
        told[DRIVE] = f"gain {number(facts.drive_db, 'dB')}"
    if facts.trim_db:
        told[OUTPUT] = f"trim {number(facts.trim_db, 'dB')}"
    return told


def _cell(one: StageOnTool, several: bool) -> str:
    first = f"{one.tool}: " if several else ""
    if one.why_not:
        return f"{first}{one.why_not}"
    bands = [", ".join(f"{word} {at:g}" for word, at in own.items()) for own in one.knobs]
    parts = bands if len(bands) < 2 else [f"{k}. {band}" for k, band in enumerate(bands, 1)]
    if one.input_gain_db:
        parts.insert(0, f"input gain {number(one.input_gain_db, 'dB', signed=True)}")
        parts.append(f"output gain {number(one.output_gain_db, 'dB', signed=True)}")
    if one.noted:
        parts.append("as measured: " + ", ".join(f"{name} {value}" for name, value in one.noted.items()))
    if one.reduction_typical_db is not None:
        typical, most = number(one.reduction_typical_db), number(one.reduction_max_db, "dB")
        parts.append(f"meter {typical}, at most {most}")
    return first + "; ".join(parts)
