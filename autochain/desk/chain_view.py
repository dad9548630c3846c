"""The chain as one row of stages, every setting a field."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from autochain.chain.chain import NEEDED
from autochain.chain.parameter import Parameter
from autochain.chain.settings import DRIVE, OUTPUT, StageName, StageSettings, Value
from autochain.chain.stage import Stage
from autochain.desk.facts import Meter, SongFacts
from autochain.desk.fields import Field, place_in_range, plain_text
from autochain.sheet.model import SensitivityEntry
from autochain.sheet.on_tools import told_by_stage, tools_told
from autochain.sheet.settings import value_text
from autochain.units import clock, number

_ON_KEEPING = (
    "What to set on your own tools stands here when you have kept these settings. A bounce is judged by your tools all "
    "the same."
)
_RUN_UP_S = 1.0  # heard before a time at which a meter shows its most
_TRIM_WORTH_DB = 0.05  # less reads as nothing
_LEAST_SPAN_DB = 6.0  # of the meters' common scale
_BAND = re.compile(r"band([1-9][0-9]?)_")


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Fields that belong together: those of one band under its name, or without a name the stage's own."""

    name: str
    fields: Sequence[Field]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterView:
    """A stage's meter: its words, when it shows its most, and where it stands on the scale of all, 0 to 100."""

    words: str
    at_s: float | None
    at_words: str
    typical: float
    most: float
    trim: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StageView:
    """One stage: what is set, what goes without saying, what its meter shows.

    `on_tool` is what to set on the user's own tool.
    `next_band` is the parameter that, set to 0, adds a band that does nothing yet; empty for a stage without bands.
    """

    name: StageName
    label: str
    can_be_off: bool
    groups: Sequence[Group]
    next_band: str
    quiet: Sequence[Field]
    meter: MeterView | None
    listen_for: str
    on_tool: str = ""


def chain_part(facts: SongFacts) -> dict[str, Any]:
    """The stages under the hand in order, and those that could be added."""
    span = max([_LEAST_SPAN_DB, *(abs(one.most_db) for one in facts.meters.values())])
    column = facts.on_tools
    on_tools = {} if column is None else told_by_stage(column, several=True)
    stages = [
        replace(_stage(facts, facts.chain.stages[name], own, span), on_tool=on_tools.get(name, ""))
        for name in facts.chain.stages
        if (own := facts.settings.of(name)) or name in facts.settings
    ]
    others = [
        {"name": name, "label": stage.label, "was_set": name in facts.put_away}
        for name, stage in facts.chain.stages.items()
        if name not in facts.settings
    ]
    return {
        "stages": stages,
        "others": others,
        "facts": facts,
        "on_tools": tools_told(column) if column is not None else _ON_KEEPING if facts.own_tools else "",
        "about": not facts.hand.exact,
        "metered": bool(facts.meters),
        "span": number(span, "dB", 0),
    }


def _stage(facts: SongFacts, stage: Stage, own: StageSettings, span: float) -> StageView:
    loud, quiet = list[Field](), list[Field]()
    for parameter in stage.of(own):
        if (stage.name, parameter.name) == (OUTPUT, "trim_db"):
            continue  # it holds the ceiling, and no hand sets it
        if parameter.name in own and stage.applies(own, parameter.name):
            value = own.value(parameter.name)
            aside = (parameter.quiet and value == parameter.default) or stage.name == OUTPUT
            field = _field(facts, stage, parameter, value)
            if aside:
                quiet.append(replace(field, label=parameter.label))  # it stands away from its band
            else:
                loud.append(field)
    meter = facts.meters.get(stage.name)
    return StageView(
        name=stage.name,
        label=stage.label,
        can_be_off=stage.name not in NEEDED,
        groups=[
            Group(name=f"band {band}" if band else "", fields=list(fields)) for band, fields in groupby(loud, _band_of)
        ],
        next_band=_next_band(stage, own),
        quiet=quiet,
        meter=None if meter is None else _meter(meter, span),
        listen_for="; ".join(stage.listen_for),
    )


def _next_band(stage: Stage, own: StageSettings) -> str:
    amount = next((p.name for p in stage.band if p.name in ("gain_db", "range_db")), None)
    return "" if amount is None else f"band{len(stage.bands(own)) + 1}_{amount}"


def _band_of(field: Field) -> str:
    found = _BAND.match(field.parameter.name)
    return found[1] if found else ""


def _field(facts: SongFacts, stage: Stage, parameter: Parameter, value: Value) -> Field:
    band = _BAND.match(parameter.name)
    known = _sensitivity(facts, stage.name, parameter.name)
    suggested = None
    if facts.sheet is not None:
        settings = next((entry.settings for entry in facts.sheet.stages if entry.stage == stage.name), {})
        suggested = settings.get(parameter.name)
    return Field(
        id=f"{stage.name}-{parameter.name}",
        parameter=parameter,
        label=parameter.label.removeprefix(f"band {band[1]} ") if band else parameter.label,
        text=plain_text(parameter, value),
        value=value,
        at=place_in_range(parameter, value),
        suggested_at=place_in_range(parameter, suggested),
        room=None if known is None else _room(parameter, known),
        matters="" if known is None else _matters(parameter, known),
        locked=(stage.name, parameter.name) in facts.locks,
        follows=stage.name == DRIVE and (stage.name, parameter.name) not in facts.locks,
        words=parameter.ends,
    )


def _sensitivity(facts: SongFacts, stage: StageName, parameter: str) -> SensitivityEntry | None:
    entries: Iterable[SensitivityEntry] = () if facts.sheet is None else facts.sheet.sensitivity
    return next((one for one in entries if (one.stage, one.parameter) == (stage, parameter)), None)


def _room(parameter: Parameter, known: SensitivityEntry) -> tuple[float, float]:
    low = place_in_range(parameter, parameter.low if known.low is None else known.low)
    high = place_in_range(parameter, parameter.high if known.high is None else known.high)
    return low or 0.0, 100.0 if high is None else high


def _matters(parameter: Parameter, known: SensitivityEntry) -> str:
    """Why a setting is marked, and what to listen for while it moves."""
    ends = [None if end is None else plain_text(replace(parameter, unit=""), end) for end in (known.low, known.high)]
    if ends == [None, None]:
        room = "anywhere in its range"
    else:
        room = f"{ends[0] or 'the bottom of its range'} to {ends[1] or 'the top of its range'}"
    step = f"{number(known.score_change, decimals=2, signed=True)} points at {value_text(parameter, known.step_to)}"
    return f"Matters most: {step}. May move {room}. {known.listen_for}".strip()


def _meter(meter: Meter, span: float) -> MeterView:
    word = "adds" if meter.most_db < 0.0 else "takes"
    typical, most = abs(meter.typical_db), abs(meter.most_db)
    return MeterView(
        words=f"{word} {number(typical)}, at most {number(most, 'dB')}",
        at_s=None if meter.most_at_s is None else max(0.0, meter.most_at_s - _RUN_UP_S),
        at_words="" if meter.most_at_s is None else clock(meter.most_at_s),
        typical=round(100.0 * typical / span, 1),
        most=round(100.0 * most / span, 1),
        trim="" if abs(meter.trim_db or 0.0) < _TRIM_WORTH_DB else number(meter.trim_db, "dB", signed=True),
    )
