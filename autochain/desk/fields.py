"""A setting as a field that can be turned: its number, and where it stands in its range."""

import math
from dataclasses import dataclass, replace

from autochain.chain.parameter import Parameter
from autochain.chain.settings import Value
from autochain.config.read import LUFS_RANGE
from autochain.desk.facts import SongFacts
from autochain.sheet.settings import value_text

_LOWEST_DBTP = -9.0  # lower is of no use
AIMS = {
    "lufs": Parameter(
        name="lufs", label="wanted loudness", unit="LUFS", low=LUFS_RANGE[0], high=LUFS_RANGE[1],
        default=-9.0, step=0.1, ends="louder costs more",
    ),
    "ceiling_dbtp": Parameter(
        name="ceiling_dbtp", label="ceiling", unit="dBTP", low=_LOWEST_DBTP, high=0.0, default=-1.0, step=0.1,
        ends="lower leaves room for lossy coders, and costs loudness",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One setting on the page.

    Attributes
    ----------
    id
        Of its input, one of its kind on the page.
    parameter, label
        What it is; the label may be shorter than the parameter's.
    text
        Its number as it is typed, without the unit; `off` where that is what it says.
    value
        The same as a number; the word of a choice.
    at
        Where it stands in its range, 0 to 100; None for a choice.
    suggested_at, room
        Where the suggestion has it, and from where to where it may move at little cost; None where not known.
    matters
        Why it is marked as one that matters most; empty for others.
    locked
        Whether it is locked; None for what cannot be.
    follows
        Whether it is set by the wanted loudness.
    words
        What its ends mean.
    """

    id: str
    parameter: Parameter
    label: str
    text: str
    value: Value
    at: float | None
    suggested_at: float | None = None
    room: tuple[float, float] | None = None
    matters: str = ""
    locked: bool | None = None
    follows: bool = False
    words: str = ""


def place_in_range(parameter: Parameter, value: Value | None) -> float | None:
    """Where a value stands between the ends, 0 to 100; None for a word or nothing."""
    if value is None or isinstance(value, str):
        return None
    low, high, at = parameter.low, parameter.high, parameter.nearest(value)
    if parameter.scale == "log":
        low, high, at = (math.log(v) for v in (low, high, at))
    return round(100.0 * (at - low) / (high - low), 2) if high > low else 0.0


def plain_text(parameter: Parameter, value: Value) -> str:
    """The value as it is typed."""
    return value_text(replace(parameter, unit=""), value)


def target_field(name: str, facts: SongFacts) -> Field:
    """The wanted loudness, or the ceiling."""
    parameter = AIMS[name]
    value = facts.target_lufs if name == "lufs" else facts.ceiling_dbtp
    if name == "lufs" and facts.of_loudest_part:
        parameter = replace(parameter, name="loudest_part_lufs", label="wanted loudness of the loudest 3 s")
    return Field(
        id=f"aim-{name}",
        parameter=parameter,
        label=parameter.label,
        text=plain_text(parameter, value),
        value=value,
        at=place_in_range(parameter, value),
        words=parameter.ends,
    )
