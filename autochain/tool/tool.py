"""A tool as it was read: what it is at each bounce, what its knobs mean; kept as TOML that a person may edit."""

import hashlib
import itertools
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from pydantic_core import to_json

from autochain.chain.equaliser import TYPES
from autochain.errors import printable, steers
from autochain.given import quoted, read_toml, with_tuples
from autochain.tool import signal
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.fit_equaliser import EqualiserModel
from autochain.tool.knobs import LONGEST_ON_A_TOOL, MOST_ON_A_KNOB, THINGS, KnobMap, ToolKnob, knob_maps
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.refusal import ToolError
from autochain.tool.signal import ToolKind

TOOL_FORMAT = 1
Model = CompressorModel | LimiterModel | ClipperModel | EqualiserModel
MODELS: Mapping[ToolKind, type[Any]] = {
    "compressor": CompressorModel,
    "limiter": LimiterModel,
    "clipper": ClipperModel,
    "equaliser": EqualiserModel,
}

# How far the model may be off where it is used: rms of the gain in dB over the programme for what follows level, dB
# under the output for a clipper, rms of the curve for an equaliser. Limits of this project.
TRUSTED_DB: Mapping[ToolKind, float] = {"compressor": 0.3, "limiter": 0.3, "clipper": -30.0, "equaliser": 0.3}

# Most that two measured curves of a clipper may differ, one moved onto the other, to count as one that moves with its
# ceiling. A limit of this project.
CURVES_ALIKE_DB = 0.2

# What a model may hold, by its fields. No tool goes beyond, and no fit. Limits of this project.
_LEVEL_DBFS, _GAIN_DB, _TIME_MS, _AHEAD_MS = (-120.0, 60.0), (-120.0, 120.0), (0.001, 60_000.0), (0.0, 1000.0)
WITHIN: Mapping[ToolKind, Mapping[str, tuple[float, float]]] = {
    "compressor": {
        "threshold_dbfs": _LEVEL_DBFS,
        "ratio": (1.001, 1e5),
        "knee_db": (0.0, 120.0),
        "attack_ms": _TIME_MS,
        "release_ms": _TIME_MS,
        "rms_ms": _TIME_MS,
        "sidechain_hpf_hz": (0.0, 10_000.0),
        "lookahead_ms": _AHEAD_MS,
        "gain_db": _GAIN_DB,
    },
    "limiter": {
        "ceiling_dbfs": _LEVEL_DBFS,
        "release_ms": _TIME_MS,
        "lookahead_ms": _AHEAD_MS,
        "attack_ms": _AHEAD_MS,
        "gain_db": _GAIN_DB,
    },
    "clipper": {
        "ceiling_dbfs": _LEVEL_DBFS,
        "softness": (0.0, 100.0),
        "gain_db": _GAIN_DB,
        "measured_at_dbfs": _LEVEL_DBFS,
    },
    "equaliser": {"freq_hz": (10.0, 48_000.0), "gain_db": _GAIN_DB, "q": (0.01, 100.0), "level_db": _GAIN_DB},
}
_MOST_POINTS, _FARTHEST_DB = 10_000, 400.0


def _text(value: str) -> str:
    if any(steers(c) for c in value):
        raise ValueError("holds a control character")
    return value


Word = Annotated[str, Field(max_length=LONGEST_ON_A_TOOL), AfterValidator(_text)]
OnAKnob = Annotated[float, Field(ge=-MOST_ON_A_KNOB, le=MOST_ON_A_KNOB)]


# What becomes of levels over 0 dBFS on their way in: one that works in fixed point clips them.
OverFullScale = Literal["unknown", "passes"]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


class BounceRead(_Part):
    """One bounce: the file, what was set, what was found."""

    file: Word
    sha256: Word
    rate_hz: int
    delay_samples: float
    polarity: Literal[1, -1]
    gain_db: float
    residual_db: float
    programme_db: float
    knobs: dict[Word, OnAKnob]
    noted: dict[Word, Word] = {}
    model: dict[str, Any]


class _Knob(_Part):
    word: Word
    low: float | None = None
    high: float | None = None
    step: Annotated[float, Field(ge=0.0)] = 0.0
    positions: tuple[float, ...] = ()


class _File(_Part):
    format_version: Literal[1]
    name: Annotated[Word, Field(min_length=1)]
    kind: ToolKind
    test: Word
    test_version: int
    test_sha256: Word
    autochain: Word
    over_full_scale: OverFullScale = "unknown"
    knobs: dict[Word, _Knob]
    bounce: Annotated[tuple[BounceRead, ...], Field(min_length=1)]


@dataclass(frozen=True, kw_only=True)
class Tool:
    """A processor of the user's.

    Attributes
    ----------
    name, kind
        What the user calls it, and what it is.
    test
        Name of the test that it was bounced with.
    bounces
        What was read, one entry a bounce.
    knobs
        Knobs by role.
    over_full_scale
        Whether it is known to pass levels over 0 dBFS.
    """

    name: str
    kind: ToolKind
    test: str
    bounces: tuple[BounceRead, ...]
    knobs: Mapping[str, ToolKnob]
    over_full_scale: OverFullScale = "unknown"

    @cached_property
    def maps(self) -> Mapping[str, KnobMap]:
        """What every knob means, by role."""
        return knob_maps(self.kind, [(one.knobs, one.model) for one in self.bounces], self.knobs)

    @cached_property
    def models(self) -> tuple[Model, ...]:
        """The model at every bounce."""
        return tuple(model_of(self.kind, one.model) for one in self.bounces)

    @property
    def trusted(self) -> bool:
        """Whether the model fits well enough to set the tool by it."""
        return all(one.programme_db <= TRUSTED_DB[self.kind] for one in self.bounces)

    @cached_property
    def known_ceilings(self) -> tuple[float, float]:
        """Lowest and highest position of a clipper's ceiling at which its curve is known.

        Ours moves with its ceiling. One of its own may not: it is known where it was measured, and between two bounces
        whose curves, moved, are alike.
        """
        first, *others = self.models
        assert isinstance(first, ClipperModel)
        here = self.bounces[0].knobs.get("ceiling", self.maps["ceiling"].position(first.ceiling_dbfs))
        if not first.curve_db:
            return self.maps["ceiling"].ends
        alike = [here]
        for one, read in zip(others, self.bounces[1:], strict=True):
            assert isinstance(one, ClipperModel)
            if one.curve_db and "ceiling" in read.knobs and _apart_db(first, one) <= CURVES_ALIKE_DB:
                alike.append(read.knobs["ceiling"])
        return min(alike), max(alike)

    @property
    def noted(self) -> Mapping[str, str]:
        """What stood otherwise while it was bounced, and must stand so again."""
        return self.bounces[0].noted

    def at(self, positions: Mapping[str, float]) -> Model:
        """The model at some positions of the knobs; the others as in the first bounce."""
        model: Any = self.models[0]
        fields_of = THINGS[self.kind]
        changed = dict[str, float]()
        for role, at in positions.items():
            field = fields_of[role][0]
            least, most = WITHIN[self.kind][field]
            changed[field] = min(most, max(least, self.maps[role].thing(at)))
        made: Model = replace(model, **changed)
        return made

    def positions_for(self, things: Mapping[str, float]) -> dict[str, float]:
        """Positions that come nearest to some things, by role; roles without a knob are left out."""
        return {role: self.maps[role].position(value) for role, value in things.items() if role in self.maps}

    def toml(self) -> str:
        """The file."""
        return _to_toml(self)

    def as_file(self) -> dict[str, Any]:
        """What the file holds, as plain values; `tool_in` reads them."""
        return tomllib.loads(self.toml())

    @property
    def sha256(self) -> str:
        """Hash of all that is in the file, whatever its layout."""
        return hashlib.sha256(self.toml().encode()).hexdigest()


def _apart_db(one: ClipperModel, other: ClipperModel) -> float:
    """Most that two clippers' own curves differ where both were measured, each from its ceiling."""
    (a, a_db), (b, b_db) = (np.array(model.curve_db).T for model in (one, other))
    a, b = a - one.ceiling_dbfs, b - other.ceiling_dbfs
    both = a[(a >= b[0]) & (a <= b[-1])]
    return float(np.abs(np.interp(both, a, a_db) - np.interp(both, b, b_db)).max(initial=0.0))


def model_of(kind: ToolKind, values: Mapping[str, Any]) -> Any:
    """A model from a file's table; ToolError for what is not in it or no such thing."""
    known = {one.name for one in fields(MODELS[kind])}
    unknown = sorted(set(values) - known)
    if unknown:
        raise ToolError(f"model has {unknown[0]}, which a {kind} has not. Take it out, or read the tool again.")
    try:
        # By way of JSON, in which a dataclass can be read strictly; numbers that are none become null, and are refused.
        model = TypeAdapter(MODELS[kind]).validate_json(to_json(dict(values)), strict=True)
    except ValidationError as error:
        problem = error.errors()[0]
        where = ".".join(map(str, problem["loc"]))
        raise ToolError(f"model.{where}: {problem['msg']}. Read the tool again.") from None
    for name, (least, most) in WITHIN[kind].items():
        value = getattr(model, name)
        if not least <= value <= most:
            raise ToolError(f"model.{name} is {value:g}; it must be {least:g} to {most:g}. Read the tool again.")
    if isinstance(model, ClipperModel):
        _refuse_curve(model.curve_db)
    if isinstance(model, EqualiserModel) and model.type not in TYPES:
        raise ToolError(f"model.type is {quoted(model.type)}; it must be one of {', '.join(TYPES)}.")
    return model


def _refuse_curve(curve_db: Sequence[tuple[float, float]]) -> None:
    levels = [level for level, _ in curve_db]
    if len(levels) > _MOST_POINTS or any(not a < b for a, b in itertools.pairwise(levels)):
        raise ToolError(
            f"model.curve_db must be at most {_MOST_POINTS} points whose levels rise. Read the tool again."
        )
    if any(not abs(value) <= _FARTHEST_DB for point in curve_db for value in point):
        raise ToolError(f"model.curve_db goes beyond {_FARTHEST_DB:g} dB. Read the tool again.")


def tool_of_file(path: Path) -> Tool:
    """Read a tool file, strictly.

    Raises
    ------
    ToolError, ConfigError
        It is not there, is no tool file, or holds what none holds; one line per problem.
    UnreadableError
        The system does not let it be read.
    """
    return tool_in(read_toml(path, "--tools, or of tools.files in the configuration"), path.name)


def tool_in(values: Any, where: str) -> Tool:
    """The same from what such a file holds; `where` is what it is called."""
    try:
        file = _File.model_validate(with_tuples(values))
    except ValidationError as error:
        lines = [_line(where, problem) for problem in error.errors()]
        raise ToolError("\n".join(lines)) from None
    if file.test not in signal.TESTS or file.test_sha256 != signal.test_sha256(file.test):
        raise ToolError(
            f"{where}: it was read from version {file.test_version} of the test {file.test!r} "
            f"({file.test_sha256[:12]}), and this autochain makes version {signal.TEST_VERSION}. Bounce the test anew "
            "and read the tool again."
        )
    known = THINGS[file.kind]
    try:
        for role in file.knobs:
            if role not in known:
                raise ToolError(f"knobs.{role} is no knob of a {file.kind}. It can have {', '.join(known)}.")
        tool = Tool(
            name=file.name,
            kind=file.kind,
            test=file.test,
            bounces=file.bounce,
            over_full_scale=file.over_full_scale,
            knobs={role: ToolKnob(role=role, **own.model_dump()) for role, own in file.knobs.items()},
        )
        _ = tool.models, tool.maps
    except ToolError as error:
        raise ToolError(f"{where}: {error}") from None
    return tool


def _line(file: str, problem: Any) -> str:
    where = ".".join(printable(str(key), LONGEST_ON_A_TOOL) for key in problem["loc"])
    if problem["type"] == "extra_forbidden":
        return f"{file}: {where} is not known here. Take it out."
    if problem["type"] == "missing":
        return f"{file}: {where} is missing. Put it back, or read the tool again."
    reason = problem["msg"].removeprefix("Value error, ").removeprefix("Input ")
    return f"{file}: {where} is {quoted(problem['input'])}; it {reason[:1].lower() + reason[1:]}."


def _to_toml(tool: Tool) -> str:
    import autochain

    lines = [
        "# A processor as autochain read it from bounces of its test. The tables under knobs may be edited: the ends",
        "# and steps of your knobs, and what they are called. Where you know that the tool lets levels over 0 dBFS in",
        '# unharmed, write over_full_scale = "passes". All else is measured.',
        f"format_version = {TOOL_FORMAT}",
        f"name = {_value(tool.name)}",
        f"kind = {_value(tool.kind)}",
        f"test = {_value(tool.test)}",
        f"test_version = {signal.TEST_VERSION}",
        f"test_sha256 = {_value(signal.test_sha256(tool.test))}",
        f"autochain = {_value(autochain.__version__)}",
        f"over_full_scale = {_value(tool.over_full_scale)}",
    ]
    if not tool.knobs:
        lines += ["", "[knobs]"]
    for role, knob in tool.knobs.items():
        lines += ["", f"[knobs.{role}]", f"word = {_value(knob.word)}"]
        lines += [f"{key} = {_value(v)}" for key in ("low", "high") if (v := getattr(knob, key)) is not None]
        lines += [f"step = {_value(knob.step)}"] if knob.step else []
        lines += [f"positions = {_value(knob.positions)}"] if knob.positions else []
    for one in tool.bounces:
        values = one.model_dump()
        tables = {key: values.pop(key) for key in ("knobs", "noted", "model")}
        lines += ["", "[[bounce]]", *(f"{key} = {_value(value)}" for key, value in values.items())]
        for key, table in tables.items():
            if table or key == "knobs":
                lines += ["", f"[bounce.{key}]", *(f"{_key(name)} = {_value(value)}" for name, value in table.items())]
    return "\n".join(lines) + "\n"


def _key(name: str) -> str:
    plain = name.replace("_", "").replace("-", "")
    return name if plain.isalnum() and plain.isascii() else _value(name)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = "".join(
            c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" if ord(c) < 0x10000 else f"\\U{ord(c):08x}"
            for c in value
        )
        return f'"{escaped}"'
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        text = f"{value:.6g}"
        return text if any(c in text for c in ".en") else f"{text}.0"
    if isinstance(value, Sequence):
        return "[" + ", ".join(map(_value, value)) + "]"
    raise TypeError(f"{value!r} has no place in a tool file")


def plain_model(model: Model) -> dict[str, Any]:
    """A model for a file, at sane precision."""
    return {name: _fine(value) for name, value in asdict(model).items()}


def _fine(value: Any) -> Any:
    return round(float(f"{value:.6g}"), 5) + 0.0 if isinstance(value, float) else value
