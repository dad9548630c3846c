"""TOML to `Config`: defaults filled in, every problem reported at once with its address."""

import difflib
import tomllib
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from autochain.chain.chain import STAGES
from autochain.config.chain import BoundError
from autochain.config.coordinates import SET
from autochain.config.model import Baselines, Config, Coordinates, Ranges, Target
from autochain.errors import ConfigError, TargetError, printable
from autochain.given import quoted, read_toml, with_tuples
from autochain.resources import resource

LUFS_RANGE = (-40.0, 0.0)
_LONGEST = 200  # characters of a table in a message
# Beyond this the waveform would have to be denser than a full-scale square wave pair can be in practice.
MOST_LU_ABOVE_CEILING = 2.0


# Values of the baselines' grid that belong to a coordinate.
_GRIDS = {"limiter_lookahead_ms": "lookahead_ms", "limiter_release_ms": "release_ms", "clip_softness": "clip_softness"}


# A layer that gives one of them takes the place of the other below.
_LOUDNESS = ("lufs", "loudest_part_lufs")


def _tools_beside(path: Path, values: dict[str, Any]) -> dict[str, Any]:
    """A file's values, its tools found from its own folder; what is no list of names is refused later."""
    tools = values.get("tools")
    files = tools.get("files") if isinstance(tools, dict) else None
    if not isinstance(tools, dict) or not isinstance(files, list):
        return values
    found = [str(path.parent / one) if isinstance(one, str) else one for one in files]
    return {**values, "tools": {**tools, "files": found}}


def _layered(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Put one layer of configuration over another."""
    target = over.get("target")
    if isinstance(target, dict) and any(key in target for key in _LOUDNESS):
        own = base["target"]
        own = {k: v for k, v in own.items() if k not in _LOUDNESS} if isinstance(own, dict) else own
        base = {**base, "target": own}
    return _merged(base, over)


def _merged(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    both = dict(base)
    for key, value in over.items():
        known = both.get(key)
        both[key] = _merged(known, value) if isinstance(known, dict) and isinstance(value, dict) else value
    return both


def _siblings(path: tuple[str, ...]) -> list[str]:
    model: Any = Config
    for key in path[:-1]:
        if key.isdigit():  # a place in a list of bands
            model = get_args(model)[0] if get_args(model) else None
            continue
        field = model.model_fields.get(key) if isinstance(model, type) and issubclass(model, BaseModel) else None
        if field is None:
            return []
        model = field.annotation
    return list(model.model_fields) if isinstance(model, type) and issubclass(model, BaseModel) else []


def _line(problem: Any) -> str:
    path = tuple(str(key) for key in problem["loc"])
    # Bands are counted from 1, as on the command line and on the sheet.
    address = ".".join(str(int(key) + 1) if key.isdigit() and "bands" in path else key for key in path)
    if problem["type"] == "extra_forbidden":
        near = difflib.get_close_matches(path[-1], _siblings(path), n=1)
        hint = f"Did you mean {near[0]}?" if near else "Remove it."
        return f"{address} is not a known key. {hint}"
    if problem["type"] == "missing":
        return f"{address} is missing. Add it, or leave out the whole entry."
    if problem["type"] in ("tuple_type", "list_type"):
        return f"{address} is {quoted(problem['input'])}; it must be a list. Write it in brackets."
    if problem["type"] in ("model_type", "dict_type", "model_attributes_type"):
        return f"{address} is {quoted(problem['input'])}; it must be a table. Write [{address}] above its keys."
    value = problem["input"]
    if isinstance(error := problem.get("ctx", {}).get("error"), BoundError):
        address, value = f"{address}.{error.key}", error.value
    shown = printable(_inline(value), _LONGEST) if isinstance(value, dict) else quoted(_as_in_toml(value))
    reason = problem["msg"].removeprefix("Value error, ").removeprefix("Input ").removesuffix(".")
    return f"{address} is {shown}; it {reason}{'' if reason.endswith('?') else '.'}"


def _as_in_toml(value: Any) -> Any:
    return list(map(_as_in_toml, value)) if isinstance(value, tuple) else value


def _inline(values: dict[str, Any]) -> str:
    """A table as it is written in TOML, in one line."""
    return "{ " + ", ".join(f"{key} = {value!r}" for key, value in values.items()) + " }"


def _holds(values: Any, path: tuple[Any, ...]) -> bool:
    for key in path:
        if not isinstance(values, dict):  # inside a value that is held as a whole
            return True
        if key not in values:
            return False
        values = values[key]
    return True


def read_config(path: Path | None = None, overrides: dict[str, Any] | None = None) -> Config:
    """Read a config file over the packaged defaults, then apply `overrides` (nested, same keys).

    Raises
    ------
    ConfigError
        Missing file, broken TOML, unknown keys or values out of range; one line per problem.
    UnreadableError
        A file that the system does not let be read.
    """
    values: dict[str, Any] = tomllib.loads(resource("configs", "default.toml").read_text(encoding="utf-8"))
    where = "default.toml"
    if path is not None:
        where = path.name
        given = read_toml(path, "--config")
        if "learned" in given:
            raise ConfigError(f"{where}: learned is not a known key. Remove it; weights are learned by --taste.")
        values = _layered(values, _tools_beside(path, given))
    if overrides:
        values = _layered(values, overrides)
    try:
        config = Config.model_validate(with_tuples(values))
    except ValidationError as error:
        lines = [
            f"{'command line' if _holds(overrides or {}, problem['loc']) else where}: {_line(problem)}"
            for problem in error.errors()
        ]
        raise ConfigError("\n".join(lines)) from None
    try:
        check_target(config.target)
    except TargetError as error:
        if path is None or _holds(overrides or {}, ("target",)):
            raise
        raise TargetError(f"{where}: {error}") from None
    return _within_chain(config, where)


def _within_chain(config: Config, where: str) -> Config:
    """Keep the search inside the ranges that `[chain]` has narrowed; ConfigError where nothing is left."""
    search, stages, problems = config.search, config.chain_plan.stages, []
    ranges, start, grids = search.ranges.model_dump(), search.trade_default.model_dump(), search.baselines.model_dump()
    for name, stage, parameter in ((c.name, *c.place) for c in SET):
        if stage not in stages:
            continue
        known = stages[stage].parameter(parameter)
        low, high = max(ranges[name][0], known.low), min(ranges[name][1], known.high)
        if not low < high:
            given = f"chain.{stage}.{parameter} allows {known.low:g} to {known.high:g}"
            problems.append(f"{where}: search.ranges.{name} is {list(ranges[name])}, but {given}. Let them overlap.")
        ranges[name] = (low, high)
        given_default = getattr(config.chain, stage).model_dump(exclude_unset=True).get(parameter)
        if isinstance(given_default, dict):
            given_default = given_default.get("default")
        start[name] = known.nearest(start[name] if given_default is None else float(given_default))
        if name in _GRIDS:
            own = grids[_GRIDS[name]]
            many = isinstance(own, tuple)
            grids[_GRIDS[name]] = tuple(dict.fromkeys(map(known.nearest, own))) if many else known.nearest(own)
    for stage in STAGES:
        if stage not in stages and getattr(config.chain, stage).model_fields_set:
            problems.append(f"{where}: chain.{stage} is set, but chain.order leaves it out. Add it there or remove it.")
    if problems:
        raise ConfigError("\n".join(problems))
    parts = {"ranges": Ranges(**ranges), "trade_default": Coordinates(**start), "baselines": Baselines(**grids)}
    return config.model_copy(update={"search": search.model_copy(update=parts)})


def check_target(target: Target) -> None:
    """Refuse a target that no master can or should have; TargetError with what to choose instead."""
    low, high = LUFS_RANGE
    wanted, ceiling_dbtp = target.loudness_lufs, target.ceiling_dbtp
    kind = " in the loudest part" if target.of_loudest_part else ""
    if not low <= wanted <= high:
        span = f"{low:g} to {high:g} LUFS"
        raise TargetError(f"target {wanted:g} LUFS{kind} is outside {span}. Choose a loudness in that range.")
    if not -20.0 <= ceiling_dbtp <= 0.0:
        problem = "above 0 dBTP, where converters and encoders overload" if ceiling_dbtp > 0 else "below -20 dBTP"
        raise TargetError(f"ceiling {ceiling_dbtp:g} dBTP is {problem}. Choose one from -20 to 0, such as -1.")
    if wanted > ceiling_dbtp + MOST_LU_ABOVE_CEILING:
        raise TargetError(
            f"target {wanted:g} LUFS{kind} is {wanted - ceiling_dbtp:.1f} LU above the ceiling of {ceiling_dbtp:g} "
            f"dBTP; at most {MOST_LU_ABOVE_CEILING:g} LU is possible. "
            f"Choose {ceiling_dbtp + MOST_LU_ABOVE_CEILING:g} LUFS or lower."
        )
