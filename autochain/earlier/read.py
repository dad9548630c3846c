"""A sheet read back: what a later search takes from it, checked; everything else on it is left alone."""

import hashlib
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from autochain.chain.settings import Value
from autochain.config.model import Coordinates, Target
from autochain.earlier.sheet import EarlierOnTools, EarlierSheet, ToolOnSheet
from autochain.errors import SheetError, printable
from autochain.given import bytes_of, json_in, quoted

_VERSION = 1


def _unquoted(value: Value) -> Value:
    """Refuse a number that was written as a word."""
    if isinstance(value, str):
        try:
            float(value)
        except ValueError:
            return value
        raise ValueError("must be a number without quotation marks")
    return value


_Value = Annotated[Value, AfterValidator(_unquoted)]


class _Read(BaseModel):
    """A part of a sheet; a hand may have added to it."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class _Mix(_Read):
    sha256: str
    course: dict[str, str] = {}


class _Stage(_Read):
    stage: str
    settings: dict[str, _Value]


class _Search(_Read):
    coordinates: dict[str, float]
    found: dict[str, _Value]


class _Costs(_Read):
    score: float | None = None


class _StageOnTool(_Read):
    stage: str
    tool: str
    knobs: tuple[dict[str, float], ...]
    output_gain_db: float
    reduction_typical_db: float | None
    why_not: str


class _OnTools(_Read):
    stages: tuple[_StageOnTool, ...]
    drive_db: float | None
    trim_db: float | None
    tools: tuple[dict[str, Any], ...] = ()


class _Request(_Read):
    locks: dict[str, _Value]
    without: tuple[str, ...]
    seed: Annotated[int, Field(ge=0, le=2**32 - 1)]  # as of a configuration


class _Provenance(_Read):
    request: _Request
    versions: dict[str, str] = {}


class _Sheet(_Read):
    mix: _Mix
    target: Target
    stages: tuple[_Stage, ...]
    search: _Search
    provenance: _Provenance
    met: bool = False
    costs: _Costs = _Costs()
    weights: dict[str, float] = {}
    on_tools: _OnTools | None = None


def read_sheet(path: Path) -> EarlierSheet:
    """Read the JSON of a sheet.

    Raises
    ------
    SheetError
        The file is not there, is no sheet, or holds what no sheet holds; one line per problem, each with its path.
    UnreadableError
        The system does not let the file be read.
    """
    return sheet_in(bytes_of(path, "the sheet", SheetError), path)


def sheet_in(data: bytes, path: Path) -> EarlierSheet:
    """The same of JSON that is in memory; `path` is what it is called."""
    try:
        values = json_in(data)
    except ValueError as error:
        reason = printable(str(error), 200)
        raise SheetError(f"{path}: not JSON ({reason}). Give the .sheet.json that was written beside it.") from None
    if not isinstance(values, dict) or "format_version" not in values:
        raise SheetError(f"{path}: not a settings sheet. Give the .sheet.json of an earlier run.")
    if values["format_version"] != _VERSION or type(values["format_version"]) is not int:
        raise SheetError(
            f"{path}: format_version is {quoted(values['format_version'])}; {_VERSION} can be read. "
            "Make the sheet again with suggest."
        )
    try:
        sheet = _Sheet.model_validate_json(data, strict=True)
        point = Coordinates.model_validate(sheet.search.coordinates) if sheet.search.coordinates else None
    except ValidationError as error:
        inside = "search.coordinates." if error.title == "Coordinates" else ""
        # A value that may be a number or a word is told of once for each: the first will do.
        first = {_path(inside, p): p for p in reversed(error.errors())}
        raise SheetError("\n".join(f"{path.name}: {_line(at, first[at])}" for at in reversed(first))) from None
    names = [stage.stage for stage in sheet.stages]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise SheetError(f"{path.name}: stages has {twice[0]} twice. Keep one of them.")
    return EarlierSheet(
        file=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        mix_sha256=sheet.mix.sha256,
        target=sheet.target,
        stages={stage.stage: stage.settings for stage in sheet.stages},
        found=sheet.search.found,
        point=point,
        locks=sheet.provenance.request.locks,
        without=frozenset(sheet.provenance.request.without),
        seed=sheet.provenance.request.seed,
        fingerprint=sheet.mix.course,
        score=sheet.costs.score if sheet.met else None,
        weights=sheet.weights,
        version=sheet.provenance.versions.get("autochain", ""),
        on_tools=None if sheet.on_tools is None else _column(sheet.on_tools),
    )


def _column(read: _OnTools) -> EarlierOnTools:
    return EarlierOnTools(
        stages={
            one.stage: ToolOnSheet(
                tool=one.tool, knobs=one.knobs, around_db=one.output_gain_db,
                reduction_typical_db=one.reduction_typical_db, why_not=one.why_not,
            )
            for one in read.stages
        },
        drive_db=read.drive_db,
        trim_db=read.trim_db,
        tools=read.tools,
    )  # fmt: skip


def _path(inside: str, problem: Any) -> str:
    return inside + ".".join(str(key) for key in problem["loc"] if key not in ("float", "str"))


def _line(path: str, problem: Any) -> str:
    if problem["type"] == "missing":
        return f"{path} is missing. Put it back, or make the sheet anew."
    if problem["type"] == "extra_forbidden":
        return f"{path} is not known here. Take it out."
    reason = problem["msg"].removeprefix("Value error, ").removeprefix("Input ").removesuffix(".")
    return f"{path} is {quoted(problem['input'])}; it {reason}."
