"""A tool as data."""

import json
from dataclasses import asdict
from typing import Any

from autochain.tool.compressor_model import CompressorModel
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.published import step_times
from autochain.tool.read import ToolReading
from autochain.tool.tool import plain_model

_FORMAT = 1


def tool_json(reading: ToolReading) -> str:
    """All figures; the same bounces give the same bytes."""
    tool = reading.tool
    bounces = list[dict[str, Any]]()
    for one, model, remarks in zip(tool.bounces, tool.models, reading.remarks, strict=True):
        times = None
        if isinstance(model, CompressorModel | LimiterModel):
            times = {name: None if ms is None else round(ms, 2) for name, ms in asdict(step_times(model)).items()}
        fit = plain_model(model)
        bounces.append({**one.model_dump(exclude={"model"}), "fit": fit, "times": times, "remarks": remarks})
    knobs = {
        role: {"word": m.knob.word, "points": m.points, "reach": [float(f"{end:.4g}") for end in m.reach]}
        for role, m in tool.maps.items()
    }
    whole = {
        "format_version": _FORMAT,
        "name": tool.name,
        "kind": tool.kind,
        "trusted": tool.trusted,
        "knobs": knobs,
        "bounces": bounces,
    }
    return json.dumps(whole, indent=2) + "\n"
