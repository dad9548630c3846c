"""What became of a hostile case: taken and right, refused with a reason, or anything else."""

import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.album.tracks import find_tracks
from autochain.audio.blocks import HIGHEST_SAMPLE
from autochain.audio.files import read_mix
from autochain.chain.settings import STAGE_NAMES
from autochain.config import read_config
from autochain.earlier.read import read_sheet
from autochain.errors import AutochainError
from autochain.render.sheet_chain import sheet_chain
from autochain.search.tool_limits import limits, tools_by_stage
from autochain.tool.tool import tool_of_file

RIGHT, REFUSED = "right", "refused"
_LONGEST_LINE = 2000


def outcome(do: Callable[[Path], str | None], path: Path) -> str:
    """`right`, `refused`, or what went wrong instead; `do` says what is wrong with what it took."""
    try:
        wrong = do(path)
    except AutochainError as error:
        return _refusal(str(error), path)
    except Exception as error:  # what nobody foresaw is what is looked for
        return f"{type(error).__name__}: {error}"[:300]
    return RIGHT if wrong is None else f"taken: {wrong}"


def _refusal(words: str, path: Path) -> str:
    if path.name not in words and path.stem not in words:
        return f"refused without a name: {words[:200]}"
    if any(len(line) > _LONGEST_LINE for line in words.splitlines()):
        return f"refused in a line of {max(map(len, words.splitlines()))} characters: {words[:200]}"
    if any(ord(c) < 32 and c != "\n" for c in words):
        return f"refused with control characters: {words[:200]!r}"
    return REFUSED


def take_sound(path: Path) -> str | None:
    """Read a mix; what is taken is finite, of sensible level, long enough."""
    mix = read_mix(path)
    peak = float(np.abs(mix.samples).max())
    if not np.isfinite(peak) or not 0.0 < peak <= HIGHEST_SAMPLE:
        return f"a peak of {peak:g}"
    if mix.samples.dtype != np.float32 or mix.channels not in (1, 2) or len(mix.samples) < 3 * mix.rate_hz:
        return f"{mix.samples.dtype}, {mix.samples.shape}, {mix.rate_hz} Hz"
    return None


def take_sheet(path: Path) -> str | None:
    """Read a sheet and its chain; every setting is a finite number or a word, inside its range."""
    sheet = read_sheet(path)
    chain, settings = sheet_chain(sheet)
    for stage, own in settings.items():
        for name in own:
            value = own.value(name)
            if not isinstance(value, str) and not np.isfinite(value):
                return f"{stage}.{name} is {value}"
    if not 0 <= sheet.seed < 2**32:
        return f"a seed of {sheet.seed}"
    return None if set(settings) <= set(STAGE_NAMES) and chain.stages else "stages that are none"


def take_configuration(path: Path) -> str | None:
    """Read a configuration; its numbers are finite and of the kinds that the model says."""
    config = read_config(path)
    return _not_finite(config.model_dump())


def _not_finite(value: Any, address: str = "") -> str | None:
    if isinstance(value, dict):
        found = (_not_finite(one, f"{address}.{key}") for key, one in value.items())
    elif isinstance(value, list | tuple):
        found = (_not_finite(one, f"{address}.{key}") for key, one in enumerate(value))
    else:
        wrong = isinstance(value, float) and not np.isfinite(value)
        return f"{address} is {value}" if wrong else None
    return next((one for one in found if one is not None), None)


def take_list(path: Path) -> str | None:
    """Read a list; its offsets are in their range and its titles hold nothing that steers a terminal."""
    for track in find_tracks([path]):
        if not -40.0 <= track.offset_lu <= 40.0:
            return f"an offset of {track.offset_lu}"
        if any(ord(c) < 32 for c in track.title):
            return f"a title {track.title!r}"
    return None


@cache
def _noise() -> npt.NDArray[np.float64]:
    return np.random.default_rng(1).standard_normal((2000, 2))


def take_tool(path: Path) -> str | None:
    """Read a tool file, hold a search to it and turn its knobs: all that comes of it is finite and in its range."""
    tool = tool_of_file(path)
    if any(ord(c) < 32 for word in (tool.name, *(knob.word for knob in tool.knobs.values())) for c in word):
        return f"a name {tool.name!r}"
    config = read_config(None, {"chain": limits(tools_by_stage([tool]), read_config(None))})
    wrong = _not_finite(config.model_dump())
    if wrong is not None:
        return wrong
    for role, own in tool.maps.items():
        for end in (*own.ends, own.position(own.thing(own.ends[0])), own.position(1e-6), own.position(1e6)):
            if not math.isfinite(end) or not math.isfinite(own.thing(end)):
                return f"{role} at {end}"
            if not np.isfinite(tool.at({role: end}).process(_noise(), 44100)).all():
                return f"with {role} at {end} it makes samples that are not finite"
    return None
