"""The `[chain]` part of a configuration: order of stages, their defaults, ranges and bands.

Every stage of the chain has a table of its own name. In it a parameter is given as

- a number (or a word, for a choice): its default in place of the built-in one; where the search moves it, the value
  of the trade default,
- `{ default = 2.0, low = 1.5, high = 3.0 }`: the same, and a narrower range; every key may be left out.

A stage with bands takes a list of them, `[[chain.equaliser.bands]]`; such a stage is in every chain.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, create_model, field_validator

from autochain.chain.chain import DEFAULT, STAGES, ChainPlan, order_problem
from autochain.chain.parameter import Parameter
from autochain.chain.settings import STAGE_NAMES, ChainSettings, StageName, Value
from autochain.chain.stage import Stage
from autochain.config.coordinates import FOUND
from autochain.errors import ParameterError

_BOUNDS = ("default", "low", "high")


class BoundError(ValueError):
    """What is wrong with one key of a parameter's table, such as its `low`."""

    def __init__(self, key: str, value: Any, reason: str) -> None:
        super().__init__(reason)
        self.key, self.value = key, value


class ConfigPart(BaseModel):
    """A part of the configuration: frozen, and strict about keys and types."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


def _value(parameter: Parameter, given: Any) -> Value:
    return _word(parameter, given) if parameter.choices else _number(parameter, given)


def _bound(parameter: Parameter, given: Mapping[str, Any], key: str) -> float:
    try:
        return _number(parameter, given[key])
    except ValueError as error:
        raise BoundError(key, given[key], str(error)) from None


def _number(parameter: Parameter, given: Any) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise ValueError("must be a number")
    try:
        return parameter.number(given, "")
    except ParameterError:
        raise ValueError(f"must be {_span(parameter)}") from None


def _word(parameter: Parameter, given: Any) -> str:
    try:
        return parameter.word(given, "")
    except ParameterError:
        raise ValueError(f"must be {_span(parameter)}") from None


def _span(parameter: Parameter) -> str:
    if parameter.choices:
        return "one of " + ", ".join(parameter.choices)
    unit = f" {parameter.unit}" if parameter.unit else ""
    off = "" if parameter.off is None else f" (or {parameter.off:g} for off)"
    return f"{parameter.low:g} to {parameter.high:g}{unit}{off}"


def _narrowed(parameter: Parameter, given: Any) -> Parameter:
    """Parameter as the configuration wants it; ValueError says what is wrong."""
    if not isinstance(given, Mapping):
        return replace(parameter, default=_value(parameter, given))
    unknown = [key for key in given if key not in _BOUNDS]
    if unknown:
        raise ValueError(f"may hold {', '.join(_BOUNDS)}, not {unknown[0]}")
    if parameter.choices:
        if not set(given) <= {"default"}:
            raise ValueError("is a choice and has no range; give the word alone")
        return replace(parameter, default=_word(parameter, given.get("default", parameter.default)))
    low = _bound(parameter, given, "low") if "low" in given else parameter.low
    high = _bound(parameter, given, "high") if "high" in given else parameter.high
    narrow = replace(parameter, low=low, high=high)
    if narrow.low > narrow.high:
        raise ValueError(f"has low {narrow.low:g} above high {narrow.high:g}")
    if parameter.off is not None and parameter.off in (narrow.low, narrow.high) != (parameter.low, parameter.high):
        raise ValueError(f"has {parameter.off:g}, which means off, as an end of its range")
    if "default" in given:
        return replace(narrow, default=_bound(narrow, given, "default"))
    default = float(parameter.default)
    return replace(narrow, default=default if default == parameter.off else narrow.nearest(default))


def _check(stage: StageName, parameter: Parameter) -> BeforeValidator:
    def check(given: Any) -> Any:
        if (stage, parameter.name) in FOUND:
            lock = f"use --lock {stage}.{parameter.name}"
            cure = "lower target.ceiling_dbtp" if parameter.name == "trim_db" else lock
            raise ValueError(f"is found anew for every mix; leave it out, or {cure}")
        narrow = _narrowed(parameter, given)
        if narrow.low == narrow.high and not parameter.choices:
            value = f"{narrow.low:g}"
            raise ValueError(
                f"has low and high both at {value}. Use --lock {stage}.{parameter.name}={value} for a single value"
            )
        return given

    return BeforeValidator(check)


def _band_check(parameter: Parameter) -> BeforeValidator:
    def check(given: Any) -> Any:
        _value(parameter, given)
        return given

    return BeforeValidator(check)


def _table(stage: Stage) -> type[ConfigPart]:
    """Model of one stage's table."""
    fields: dict[str, Any] = {p.name: (Annotated[Any, _check(stage.name, p)], None) for p in stage.parameters}
    if stage.band:
        band: dict[str, Any] = {p.name: (Annotated[Any, _band_check(p)], None) for p in stage.band}
        model = create_model(f"{stage.name}_band", __base__=ConfigPart, **band)
        fields["bands"] = (Annotated[tuple[model, ...], Field(max_length=99)], ())  # type: ignore[valid-type]
    return create_model(stage.name, __base__=ConfigPart, **fields)


class _Order(ConfigPart):
    order: tuple[str, ...] = STAGE_NAMES

    @field_validator("order")
    @classmethod
    def _check(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        problem = order_problem(names)
        if problem:
            raise ValueError(problem)
        return names


_TABLES: dict[str, Any] = {
    name: (model, Field(default_factory=model)) for name, stage in STAGES.items() for model in (_table(stage),)
}
Chain = create_model("Chain", __base__=_Order, **_TABLES)


def chain_plan(chain: _Order) -> ChainPlan:
    """Build the plan that a `[chain]` table describes."""
    stages: dict[StageName, Stage] = {}
    given: dict[StageName, dict[str, Value]] = {}
    for stage in map(DEFAULT.stage, chain.order):
        name = stage.name
        table = getattr(chain, name).model_dump(exclude_unset=True)
        bands = table.pop("bands", ())
        parameters = tuple(_narrowed(p, table[p.name]) if p.name in table else p for p in stage.parameters)
        stages[name] = replace(stage, parameters=parameters)
        if bands:
            given[name] = {
                f"band{k}_{p.name}": p.parsed(band.get(p.name, p.default), name)
                for k, band in enumerate(bands, 1)
                for p in stage.band
            }
    return ChainPlan(stages=stages, given=ChainSettings(given))
