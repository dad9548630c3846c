"""Bounces of a tool's test as studios, mistakes and ill will leave them, and how their knobs are told."""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from random import Random

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix
from autochain.errors import AutochainError
from autochain.tasks.sounds import mix_of
from autochain.tool import signal
from autochain.tool.as_json import tool_json
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.fit_equaliser import EqualiserModel
from autochain.tool.limiter_model import LimiterModel
from autochain.tool.read import read_bounces
from autochain.tool.report import tool_markdown, tool_page
from autochain.tool.tool import tool_of_file
from tests.hostile.outcomes import REFUSED, RIGHT

Sound = npt.NDArray[np.float64]
RATE_HZ = 44100
_MARKS = RATE_HZ  # a second at both ends
_TOOLS = (
    CompressorModel(threshold_dbfs=-20.0, ratio=2.0, knee_db=6.0, attack_ms=10.0, release_ms=100.0),
    LimiterModel(ceiling_dbfs=-12.0, way="smooth", release_ms=50.0, lookahead_ms=2.0, attack_ms=1.0),
    ClipperModel(ceiling_dbfs=-12.0, softness=40.0),
    EqualiserModel(type="bell", freq_hz=1000.0, gain_db=6.0, q=1.0),
)
_KNOBS = (
    "ceiling=-12", "threshold=-20 ratio=2", "ceiling=0", "ceiling=-1e5", "gain=6", "frequency=1000 gain=6 q=1",
    "release=0", "release=-5 ceiling=-12", "", " ", "=", "ceiling=", "ceiling=nan", "x=y", "ceiling=-12 ceiling=-13",
    "ceiling:" + "w" * 5000 + "=-12", "attack=1e-300", "ceiling=-12 mode=\u202e",
)  # fmt: skip
_LIMITS = ("ceiling=-30:0:0.5", "ceiling=0|0", "ceiling=-30:0:1e-9", "ratio=inf|2", "ceiling=5:6", "a=1:2")


@cache
def _bounced(kind: signal.ToolKind) -> Sound:
    """The test of a kind, played through a tool of that kind."""
    model = _TOOLS[signal.TOOL_KINDS.index(kind)]
    return model.process(signal.make(kind, RATE_HZ), RATE_HZ)


def _muted(sound: Sound, chance: Random) -> Sound:
    """A stretch, or everything from somewhere on, at rest."""
    begin = chance.randrange(len(sound))
    sound[begin : begin + chance.choice((RATE_HZ, 10 * RATE_HZ, len(sound)))] = chance.choice((0.0, 0.25))
    return sound


def _faded(sound: Sound, chance: Random) -> Sound:
    return np.asarray(sound * np.linspace(1.0, chance.choice((0.0, 0.5, 4.0)), len(sound))[:, None])


_DAMAGES: tuple[Callable[[Sound, Random], Sound], ...] = (
    _muted, _muted, _faded,
    lambda sound, chance: sound[: chance.randrange(3 * RATE_HZ, len(sound))],
    lambda sound, chance: sound * 10.0 ** (chance.choice((-120.0, -60.0, -20.0, 20.0, 50.0)) / 20.0),
    lambda sound, chance: np.roll(sound, chance.choice((-RATE_HZ, -7, 3, 1000, RATE_HZ, 3 * RATE_HZ)), axis=0),
    lambda sound, chance: np.clip(sound, -0.01, 0.01 * chance.choice((1.0, 0.0, 3.0))),
    lambda sound, chance: sound * chance.choice(((1.0, 0.0), (0.0, 1.0), (1.0, -1.0), (-1.0, -1.0), (1.0, 0.1))),
    lambda sound, chance: sound[::-1],
    lambda sound, chance: sound + chance.choice((0.5, 1e-4)),
    lambda sound, chance: sound + 0.01 * np.random.default_rng(1).standard_normal(sound.shape),
    lambda sound, chance: sound[:, : chance.choice((1, 2))],
    lambda sound, chance: np.sign(sound) * np.abs(sound) ** chance.choice((0.5, 3.0)),
    lambda sound, chance: np.cumsum(sound, axis=0) * 1e-3,
    lambda sound, chance: np.round(sound * 4.0) / 4.0,
    lambda sound, chance: np.repeat(sound[: len(sound) // 2], 2, axis=0),
)  # fmt: skip


def hostile_bounce(chance: Random) -> tuple[list[Mix], signal.ToolKind, list[str], str]:
    """Bounces, their kind, knobs of each, and ends of the knobs."""
    kind = chance.choice(signal.TOOL_KINDS)
    played = chance.choice((kind, kind, kind, chance.choice(signal.TOOL_KINDS)))
    sound = _bounced(played).copy()
    inside = slice(_MARKS, -_MARKS) if chance.random() < 0.7 else slice(None)  # so that it can be laid beside its test
    for _ in range(chance.choice((0, 1, 1, 1, 2))):
        changed = chance.choice(_DAMAGES)(sound[inside].copy(), chance)
        whole = changed.shape == sound[inside].shape
        if whole:
            sound[inside] = changed
        else:
            sound = changed
    mixes = [mix_of(np.ascontiguousarray(sound), RATE_HZ)] * chance.choice((1, 1, 1, 2))
    fits = {"compressor": "threshold=-20 ratio=2 attack=10", "equaliser": "frequency=1000 gain=6"}
    own = fits.get(kind, "ceiling=-12")
    knobs = [chance.choice(_KNOBS) if chance.random() < 0.2 else own for _ in mixes]
    return mixes, kind, knobs, chance.choice(_LIMITS) if chance.random() < 0.1 else ""


def bounces_became(chance: Random, file: Path) -> str:
    """`right`, where what is read can be told, written to a file and read back; `refused`; or what went wrong."""
    try:
        mixes, kind, knobs, limits = hostile_bounce(chance)
        found = read_bounces(mixes, kind, "tool", knobs, limits)
        _ = tool_markdown(found), tool_page(found), tool_json(found)
        file.write_text(found.tool.toml(), encoding="utf-8")
        again = tool_of_file(file)
    except AutochainError:
        return REFUSED
    except Exception as error:  # what nobody foresaw is what is looked for
        return f"{type(error).__name__}: {error}"[:300]
    return RIGHT if again.toml() == found.tool.toml() else "another tool is read back"
