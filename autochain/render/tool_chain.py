"""A sheet carried out on the user's own tools: its chain with their models in it, set as its column has them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from autochain.audio.mix import Mix
from autochain.chain.chain import ChainPlan
from autochain.chain.settings import DRIVE, OUTPUT, ChainSettings, StageName
from autochain.config import read_config
from autochain.earlier.sheet import EarlierOnTools, EarlierSheet, ToolOnSheet
from autochain.errors import SheetError
from autochain.render.sheet_chain import sheet_chain
from autochain.search.on_tools import set_on
from autochain.tool.as_stage import Placed, stage_on_tool
from autochain.tool.refusal import ToolError
from autochain.tool.tool import Tool, tool_in
from autochain.units import number


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolChain:
    """A chain in which tools stand for some stages.

    Attributes
    ----------
    chain, settings
        What renders it; drive and trim are those for the tools.
    placed
        The tools at the positions of their knobs, by stage.
    typical_db
        What their meters show in the loud parts, by stage, where it is known.
    """

    chain: ChainPlan
    settings: ChainSettings
    placed: Mapping[StageName, Placed]
    typical_db: Mapping[StageName, float]


def tool_chain(sheet: EarlierSheet, tools: Sequence[Tool] = ()) -> ToolChain:
    """The sheet on the tools of its column; `tools` take the place of those of the same names that the sheet keeps.

    Raises
    ------
    SheetError
        A sheet without that column, or one whose column the tools cannot have.
    ToolError
        What the sheet keeps of a tool cannot hold.
    """
    column = sheet.on_tools
    if column is None:
        raise SheetError(f"{sheet.file} has no column for your own tools. Make it with suggest --tools, or name them.")
    known = {tool.name: tool for tool in _kept(sheet, column)} | {tool.name: tool for tool in tools}
    chain, settings = sheet_chain(sheet)
    placed = dict[StageName, Placed]()
    for name, own in column.stages.items():
        stage = chain.stage(name).name if name in settings else None
        if stage is None:
            raise SheetError(f"{sheet.file}: on_tools has {name}, which is not among the stages. Take it out there.")
        if not own.why_not:
            placed[stage] = _placed(sheet.file, stage, own, known)
    typical = {
        stage: value for stage in placed if (value := column.stages[stage].reduction_typical_db) is not None
    }
    return _with(chain, settings, placed, typical, column.drive_db, column.trim_db)


def set_anew(sheet: EarlierSheet, mix: Mix, tools: Sequence[Tool]) -> ToolChain:
    """A sheet without the column on tools that are set on this mix now.

    Raises
    ------
    SheetError
        No stage of the sheet has a tool.
    """
    chain, settings = sheet_chain(sheet)
    config = read_config(None, {"target": sheet.target.model_dump(exclude_none=True)})
    locked = {(stage, name) for stage, _, name in (place.partition(".") for place in sheet.locks)}
    found = set_on(mix, config, settings, sheet.target.loudness_lufs, tools, chain, locked)
    if found is None:
        kinds = ", ".join(dict.fromkeys(tool.kind for tool in tools))
        raise SheetError(f"{sheet.file} has no stage for your {kinds}. Leave --tools out.")
    placed = {one.stage: one.placed for one in found.stages if one.placed is not None}
    typical = {one.stage: one.reduction_typical_db for one in found.stages if one.reduction_typical_db is not None}
    return _with(chain, settings, placed, typical, found.drive_db, found.trim_db)


def _with(
    chain: ChainPlan,
    settings: ChainSettings,
    placed: Mapping[StageName, Placed],
    typical_db: Mapping[StageName, float],
    drive_db: float | None,
    trim_db: float | None,
) -> ToolChain:
    stages = {name: stage_on_tool(s, placed[name]) if name in placed else s for name, s in chain.stages.items()}
    if drive_db is not None and DRIVE in settings:
        settings = settings.with_(DRIVE, gain_db=drive_db)
    if trim_db is not None and OUTPUT in settings:
        settings = settings.with_(OUTPUT, trim_db=trim_db)
    return ToolChain(chain=replace(chain, stages=stages), settings=settings, placed=placed, typical_db=typical_db)


def _kept(sheet: EarlierSheet, column: EarlierOnTools) -> list[Tool]:
    try:
        return [tool_in(dict(values), f"{sheet.file}: on_tools.tools") for values in column.tools]
    except ToolError as error:
        raise SheetError(str(error)) from None


def _placed(file: str, stage: StageName, own: ToolOnSheet, known: Mapping[str, Tool]) -> Placed:
    """One tool at the positions that stand on the sheet, changed by hand or not."""
    if own.tool not in known:
        raise SheetError(f"{file}: {stage} is on {own.tool}, and no such tool is kept there. Name its file: --tools.")
    tool = known[own.tool]
    roles = {knob.word: role for role, knob in tool.knobs.items()}
    positions = []
    for table in own.knobs:
        for word, at in table.items():
            if word not in roles:
                has = ", ".join(roles) or "no knobs"
                raise SheetError(f"{file}: {stage} on {own.tool} has {word!r}; the tool has {has}. Correct the word.")
            low, high = tool.maps[roles[word]].ends
            if not low <= at <= high:
                span = f"{low:g} to {high:g}"
                raise SheetError(f"{file}: {word} of {own.tool} is {at:g}; its knob goes from {span}. Correct it.")
        positions.append({roles[word]: at for word, at in table.items()})
    return Placed(tool=tool, positions=tuple(positions), around_db=own.around_db)


def knobs_told(placed: Placed) -> str:
    """Its knobs by its own words, and gains around it."""
    words = {role: knob.word for role, knob in placed.tool.knobs.items()}
    parts = [", ".join(f"{words[role]} {at:g}" for role, at in own.items()) for own in placed.positions]
    told = parts[0] if len(parts) == 1 else "; ".join(f"{k}. {part}" for k, part in enumerate(parts, 1))
    if placed.around_db:
        before, behind = (number(gain, "dB", signed=True) for gain in (-placed.around_db, placed.around_db))
        told = f"input gain {before}; {told}; output gain {behind}"
    return told
