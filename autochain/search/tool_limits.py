"""What a search is held to by the user's tools: their curves and times, as far as our processors have them.

A tool that smooths the level, or has ramps, has no time constant of ours. Its times are told as ours by the 63 % times
of a step 12 dB over the threshold (`tool.published`), which is what our time constants mean.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from autochain.chain.chain import STAGES
from autochain.chain.settings import BUS_COMPRESSOR, CLIPPER, EQUALISER, LIMITER, PEAK_COMPRESSOR, TONE, StageName
from autochain.config.coordinates import COORDINATES
from autochain.config.model import Config
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.published import step_times
from autochain.tool.signal import ToolKind
from autochain.tool.tool import Tool

STAGES_OF: Mapping[ToolKind, tuple[StageName, ...]] = {
    "compressor": (BUS_COMPRESSOR, PEAK_COMPRESSOR),
    "limiter": (LIMITER,),
    "clipper": (CLIPPER,),
    "equaliser": (EQUALISER, TONE),
}
_NARROWEST = 1.02  # of a range that a tool leaves: a single place is no range


def tools_by_stage(tools: Sequence[Tool]) -> dict[StageName, Tool]:
    """The tool for every stage: in the order named, the last one of a kind for all that is left."""
    found: dict[StageName, Tool] = {}
    for kind, stages in STAGES_OF.items():
        own = [tool for tool in tools if tool.kind == kind]
        if own:
            found.update({stage: own[min(place, len(own) - 1)] for place, stage in enumerate(stages)})
    return found


def limits(tools: Mapping[StageName, Tool], config: Config) -> dict[str, Any]:
    """Settings for `[chain]` that hold a search to what the tools can do; a tool that fits badly holds nothing."""
    found: dict[str, Any] = {}
    for stage, tool in tools.items():
        if not tool.trusted or stage not in config.chain_plan.stages:
            continue
        own = _of_stage(stage, tool, config)
        if own:
            found[stage] = own
    return found


def _of_stage(stage: StageName, tool: Tool, config: Config) -> dict[str, Any]:
    model = tool.models[0]
    match model:
        case CompressorModel():
            held: dict[str, Any] = {
                "ratio": _fixed(stage, "ratio", _nearest(tool, "ratio", config, stage)),
                "knee_db": _fixed(stage, "knee_db", _nearest(tool, "knee", config, stage)),
                "sidechain_hpf_hz": _sidechain(model),
                "lookahead_ms": _fixed(stage, "lookahead_ms", model.lookahead_ms),
                "detector": model.detector,
                "link_percent": 0.0 if model.link == "own" else 100.0,
            }
            if model.smooths == "reduction":
                held["release_shape"] = model.shape
                if model.detector == "rms":
                    held["rms_ms"] = _fixed(stage, "rms_ms", model.rms_ms)
            for name in ("attack", "release"):
                held[f"{name}_ms"] = _span(stage, f"{name}_ms", ours_ms(tool, name), config)
            return held
        case LimiterModel():
            held = {
                "release_ms": _span(stage, "release_ms", ours_ms(tool, "release"), config),
                "link_percent": 100.0 if model.linked else 0.0,
            }
            ahead = tool.maps["lookahead"].reach if "lookahead" in tool.maps else (model.lookahead_ms,) * 2
            held["lookahead_ms"] = _span(stage, "lookahead_ms", ahead, config)
            return held
        case ClipperModel():
            soft = tool.maps["softness"].reach if "softness" in tool.maps else (model.softness,) * 2
            return {"softness": _span(stage, "softness", soft, config, least=5.0)}
        case _:
            return {}


def ours_ms(tool: Tool, name: str) -> tuple[float, float]:
    """Least and most of a time that a tool can do, as a time constant of ours."""
    model, found = tool.models[0], list[float]()
    assert isinstance(model, CompressorModel | LimiterModel)
    ends = tool.maps[name].reach if name in tool.maps else (getattr(model, f"{name}_ms"),) * 2
    for end in ends:
        times = step_times(replace(model, **{f"{name}_ms": end}))  # type: ignore[arg-type]
        value = times.attack_63_ms if name == "attack" else times.release_63_ms
        found.append(end if value is None else value)
    return min(found), max(found)


def _nearest(tool: Tool, role: str, config: Config, stage: StageName) -> float:
    """The usual value, where a knob reaches it; else what there is."""
    field = {"ratio": "ratio", "knee": "knee_db"}[role]
    if role not in tool.maps:
        return float(getattr(tool.models[0], field))
    usual = config.chain_plan.stages[stage].parameter(field).default
    low, high = tool.maps[role].reach
    return min(high, max(low, float(usual)))


def _sidechain(model: CompressorModel) -> float:
    return round(min(300.0, max(20.0, model.sidechain_hpf_hz)), 0) if model.sidechain_hpf_hz else 0.0


def _fixed(stage: StageName, name: str, value: float) -> float:
    parameter = STAGES[stage].parameter(name)
    return parameter.rounded(parameter.nearest(value))


def _span(
    stage: StageName, name: str, span: tuple[float, float], config: Config, least: float = 0.0
) -> dict[str, float]:
    """Range of a parameter that overlaps with where the search moves."""
    parameter = config.chain_plan.stages[stage].parameter(name)
    coordinate = next(c.name for c in COORDINATES if c.place == (stage, name))
    low, high = getattr(config.search.ranges, coordinate)
    low, high = max(low, parameter.low), min(high, parameter.high)
    a, b = (min(high, max(low, end)) for end in span)
    if b < max(a * _NARROWEST, a + least):
        a = min(a, high / _NARROWEST, high - least)
        b = max(a * _NARROWEST, a + least)
    return {"low": a, "high": min(b, high)}
