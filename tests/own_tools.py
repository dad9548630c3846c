"""Three processors as a stranger's are, read from no bounce: what files of them hold."""

from pathlib import Path

import numpy as np

from autochain.tool.clipper_model import ClipperModel
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.knobs import ToolKnob
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.tool import BounceRead, Tool, plain_model

# The attack knob counts four time constants, ramps, a curve of its own.
COMPRESSOR = CompressorModel(
    threshold_dbfs=-20.0, ratio=2.0, knee_db=9.0, attack_ms=5.0, release_ms=60.0, detector="rms", link="mean",
    gain_db=1.0,
)  # fmt: skip
LIMITER = LimiterModel(ceiling_dbfs=-12.0, way="ramp", release_ms=80.0, lookahead_ms=5.0)
SIZES = 10.0 ** (np.arange(-39.0, 0.1, 0.5) / 20.0)
T = 10.0 ** (-10.0 / 20.0)
CURVE = tuple(
    (float(20.0 * np.log10(s)), float(20.0 * np.log10(T * np.tanh(s / T) / s))) for s in SIZES
)
CLIPPER = ClipperModel(ceiling_dbfs=-10.0, softness=100.0, curve_db=CURVE, measured_at_dbfs=-10.0, oversampled=False)


def tool_of(name, kind, model, knobs, ends=None):
    read = BounceRead(
        file="b.wav", sha256="0" * 64, rate_hz=48000, delay_samples=0.0, polarity=1, gain_db=0.0, residual_db=0.0,
        programme_db=-60.0 if kind == "clipper" else 0.0, knobs=knobs, model=plain_model(model),
    )  # fmt: skip
    own = {role: ToolKnob(role=role, word=f"my {role}", **(ends or {}).get(role, {})) for role in knobs}
    return Tool(name=name, kind=kind, test=kind, bounces=(read,), knobs=own)


TOOLS = (
    tool_of(
        "c", "compressor", COMPRESSOR,
        {"threshold": -20.0, "ratio": 2.0, "attack": 20.0, "release": 240.0, "gain": 1.0},
        {"attack": {"low": 0.1, "high": 400.0, "step": 0.5}, "ratio": {"positions": (1.5, 2.0, 4.0)}},
    ),
    tool_of("l", "limiter", LIMITER, {"ceiling": -12.0, "release": 80.0}, {"release": {"low": 40.0, "high": 200.0}}),
    tool_of("k", "clipper", CLIPPER, {"ceiling": -10.0}, {"ceiling": {"low": -40.0, "high": 0.0}}),
)  # fmt: skip



def written(folder: Path) -> list[Path]:
    """Their files."""
    paths = [folder / f"{tool.name}.tool.toml" for tool in TOOLS]
    for tool, path in zip(TOOLS, paths, strict=True):
        path.write_text(tool.toml(), encoding="utf-8")
    return paths
