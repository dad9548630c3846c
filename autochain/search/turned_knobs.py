"""The knobs of one tool, turned until its model does to an excerpt what the sheet's stage does there.

Times are turned by the course of the gain, by least squares over the loud part; then to the nearest places that the
knobs have. Last the threshold or the ceiling, until the meter shows what the sheet names. So nothing depends on what
two makers mean by "threshold" or "attack".
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.equaliser import NARROW
from autochain.chain.settings import StageSettings
from autochain.chain.stage import TRACE_HZ
from autochain.solve.excerpts import GRID_HOPS
from autochain.tool.as_stage import Placed, behind_db
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.fit_compressor import of_level
from autochain.tool.fit_equaliser import EqualiserModel
from autochain.tool.gain_curve import gain_db, loudest, summed
from autochain.tool.levenberg import least_squares
from autochain.tool.tool import Tool

Floats = npt.NDArray[np.float64]

_BLOCK_S = 0.01
_LOUD_DB = 30.0  # blocks within as much of the loudest count
_FREE = {
    "compressor": ("threshold", "attack", "release"),
    "limiter": ("release", "lookahead"),
    "clipper": ("ceiling", "softness"),
}
_LEVEL = {"compressor": "threshold", "clipper": "ceiling"}
_STEPS = {"threshold": 0.2, "ceiling": 0.2, "softness": 3.0}
_LEAST_ON_A_METER_DB = 0.1
_MOST_AROUND_DB = 40.0

Positions = Mapping[str, float]


class TopsMeter:
    """What a stage's meter shows, as `facts` tells it of ours: the loss of every 10 ms at the top of its input."""

    def __init__(self, x: Samples | Floats, rate_hz: int, loud: npt.NDArray[np.bool_]) -> None:
        hop = round(rate_hz / TRACE_HZ)
        count = len(x) // hop
        size = loudest(x[: count * hop])
        self.tops = np.arange(count) * hop + size.reshape(count, hop).argmax(axis=1)
        self._top = size[self.tops]
        whole = min(count, len(loud)) // GRID_HOPS * GRID_HOPS
        self._busy = loud[:whole].reshape(-1, GRID_HOPS).mean(axis=1) >= 0.5

    def read(self, out: Samples | Floats, behind: float) -> tuple[float, float]:
        """Typical reduction in the loud parts, and the largest, of an output with a gain behind it."""
        return self.at_tops(out[self.tops], behind)

    def at_tops(self, values: Samples | Floats, behind: float) -> tuple[float, float]:
        """The same of the output at `tops` alone."""
        after = np.maximum(loudest(values), 1e-9)
        taken = np.where(self._top > 1e-4, 20.0 * np.log10(np.maximum(self._top, 1e-9) / after) + behind, 0.0)
        peaks = taken[: self._busy.size * GRID_HOPS].reshape(-1, GRID_HOPS).max(axis=1)[self._busy]
        return (float(np.median(peaks)) if peaks.size else 0.0), float(taken.max(initial=0.0))


@dataclass(frozen=True, kw_only=True)
class ToolExcerpt:
    """What a stage hears in the excerpt, and what the sheet's own makes of it.

    Attributes
    ----------
    x, ours
        Its input and the sheet's output, shape (frames, channels), float64.
    typical_db
        What the sheet's own meter shows in the excerpt.
    run_up
        Frames before the excerpt, which are not judged.
    loud
        Loud hops of it.
    """

    x: Floats
    ours: Floats
    typical_db: float
    rate_hz: int
    run_up: int
    loud: npt.NDArray[np.bool_]

    @cached_property
    def meter(self) -> TopsMeter:
        """Its meter."""
        return TopsMeter(self.x, self.rate_hz, self.loud)

    @cached_property
    def blocks(self) -> "_Blocks":
        """Its blocks."""
        return _Blocks(self.x, self.run_up, self.rate_hz)


class _Blocks:
    """Gain of a sound against what went in, in the blocks that are loud; in blocks of 10 ms behind the run-up."""

    def __init__(self, x: Floats, run_up: int, rate_hz: int) -> None:
        block = round(_BLOCK_S * rate_hz)
        count = (len(x) - run_up) // block
        self._span = slice(run_up, run_up + count * block)
        self._starts = np.arange(count) * block
        self._x = x[self._span]
        size = loudest(self._x)
        tops = self._starts + size.reshape(count, block).argmax(axis=1)
        level = of_level(summed(self._x, self._x), self._starts)
        self._loud = level > level.max() - _LOUD_DB
        self.tops = (tops + run_up)[self._loud]
        self._top = np.maximum(size[tops], 1e-9)[self._loud]

    def gain_db(self, out: Floats) -> Floats:
        found = gain_db(self._x, out[self._span], self._starts)[self._loud]
        return np.asarray(np.nan_to_num(found, nan=-60.0))

    def top_gain_db(self, values: Floats) -> Floats:
        """Gain of the largest sample of every block, from the output at `tops`: what a meter shows."""
        return np.asarray(20.0 * np.log10(np.maximum(loudest(values), 1e-9) / self._top))


class _Turning:
    """One tool on one excerpt: how far off it is at any positions."""

    def __init__(self, tool: Tool, heard: ToolExcerpt) -> None:
        self.tool, self.heard = tool, heard
        self._behind = behind_db(tool)
        self._clips = tool.kind == "clipper"
        # A clipper works on tops, and one curve may bend below them where another does not.
        ours = heard.ours
        self._wanted = (
            heard.blocks.top_gain_db(ours[heard.blocks.tops]) if self._clips else heard.blocks.gain_db(ours)
        )
        # What the meter shows is what the sheet names: the level knob goes by it, times by the course of the gain.
        self.by_meter = heard.typical_db > _LEAST_ON_A_METER_DB

    def off(self, positions: Positions, around_db: float) -> Floats:
        """Gain less the sheet's, by loud blocks."""
        blocks = self.heard.blocks
        if self._clips:
            found = blocks.top_gain_db(self._at(blocks.tops, positions, around_db))
        else:
            found = blocks.gain_db(self._whole(positions, around_db))
        return np.asarray(found - self._wanted - self._behind)

    def level_off(self, positions: Positions, around_db: float) -> Floats:
        """What the level knob is led by."""
        if not self.by_meter:
            return self.off(positions, around_db)
        meter = self.heard.meter
        typical, _ = meter.at_tops(self._at(meter.tops, positions, around_db), self._behind)
        return np.array([typical - self.heard.typical_db])

    def _whole(self, positions: Positions, around_db: float) -> Floats:
        placed = Placed(tool=self.tool, positions=(positions,), around_db=around_db)
        return placed.process(self.heard.x, self.heard.rate_hz)

    def _at(self, places: npt.NDArray[np.int64], positions: Positions, around_db: float) -> Floats:
        """Output at some frames; of a static curve no other frames are needed."""
        model = self.tool.at(positions)
        if isinstance(model, ClipperModel) and not model.oversampled:
            bent = model.curve(self.heard.x[places] * 10.0 ** (-0.05 * around_db))
            return np.asarray(bent * 10.0 ** (0.05 * around_db))
        return self._whole(positions, around_db)[places]

    def turned(self, start: Positions, around_db: float, fixed: str | None = None) -> dict[str, float]:
        """Knobs at places that they have, led from a start; the role `fixed` stays."""
        tool = self.tool
        free = [role for role in _FREE[tool.kind] if role in tool.maps and role != fixed]
        if not free:
            return dict(start)
        found = self._led(free, start, lambda p: self.off(p, around_db))
        level = _LEVEL.get(tool.kind)
        found |= {role: tool.maps[role].held(found[role]) for role in free if role != level}
        if level in free:
            # The other knobs have moved to places that they have: the level follows.
            found = self._led([level], found, lambda p: self.level_off(p, around_db))
        return {role: tool.maps[role].held(at) for role, at in found.items() if role in tool.maps}

    def _led(
        self, roles: list[str], begin: Positions, error: Callable[[Positions], Floats]
    ) -> dict[str, float]:
        maps = [self.tool.maps[role] for role in roles]

        def of(point: Floats) -> dict[str, float]:
            own = (float(np.exp(v)) if m.log else float(v) for m, v in zip(maps, point, strict=True))
            return {**begin, **dict(zip(roles, own, strict=True))}

        point, _ = least_squares(
            lambda p: error(of(p)),
            [m.scaled(begin[role]) for role, m in zip(roles, maps, strict=True)],
            [(m.scaled(m.ends[0]), m.scaled(m.ends[1])) for m in maps],
            [_STEPS.get(role, 0.05 if m.log else 0.1) for role, m in zip(roles, maps, strict=True)],
            8, 0.01,
        )  # fmt: skip
        return of(point)

    def around(self, positions: Positions, start_db: float) -> float:
        """Gains around it, in steps of 0.1 dB, that do what its level knob cannot."""
        found, _ = least_squares(
            lambda p: self.level_off(positions, float(p[0])), [start_db], [(-_MOST_AROUND_DB, _MOST_AROUND_DB)], [0.2],
            8, 0.01,
        )  # fmt: skip
        return round(float(np.ceil(10.0 * found[0])) / 10.0, 6) + 0.0


def turned(tool: Tool, settings: StageSettings, heard: ToolExcerpt) -> tuple[Placed, float]:
    """Set one tool on what it hears; also the rms difference of its gain from the stage's, dB.

    Parameters
    ----------
    tool
        A compressor, a limiter or a clipper.
    settings
        Those of the stage that it stands for.
    heard
        Input and wanted output.
    """
    turning = _Turning(tool, heard)
    start = _start(tool, settings)
    around_db = 0.0
    if tool.kind == "clipper":
        positions, around_db = _clipper(turning, start, settings["ceiling_dbfs"])
    else:
        positions = turning.turned(start, 0.0)
    off_db = float(np.sqrt(np.mean(turning.off(positions, around_db) ** 2)))
    return Placed(tool=tool, positions=(positions,), around_db=around_db), off_db


def _clipper(turning: _Turning, start: Positions, ceiling_dbfs: float) -> tuple[dict[str, float], float]:
    """Its knobs and the gains around it: a curve of its own is used where it was measured, and at any level so."""
    tool = turning.tool
    if "ceiling" not in tool.maps:
        model = tool.models[0]
        assert isinstance(model, ClipperModel)
        first_db = ceiling_dbfs - model.ceiling_dbfs
        around_db = turning.around(turning.turned(start, first_db), first_db)
        return turning.turned(start, around_db), around_db
    knob = tool.maps["ceiling"]
    low, high = tool.known_ceilings
    if low < high:
        positions = turning.turned(start, 0.0)
        if low < positions["ceiling"] < high:
            return positions, 0.0
        at = min(high, max(low, positions["ceiling"]))
    else:
        at = low
    held = {**start, "ceiling": at}
    around_db = turning.around(held, ceiling_dbfs - knob.thing(at))
    positions = turning.turned(held, around_db, fixed="ceiling") | {"ceiling": at}
    return positions, turning.around(positions, around_db) if len(positions) > 1 else around_db


def _start(tool: Tool, own: StageSettings) -> dict[str, float]:
    """Where the sheet's own settings would put the knobs."""
    things = {
        "compressor": {"threshold": "threshold_db", "ratio": "ratio", "knee": "knee_db", "attack": "attack_ms",
                       "release": "release_ms", "lookahead": "lookahead_ms"},
        "limiter": {"ceiling": "ceiling_dbtp", "release": "release_ms", "lookahead": "lookahead_ms"},
        "clipper": {"ceiling": "ceiling_dbfs", "softness": "softness"},
    }[tool.kind]  # fmt: skip
    found = tool.positions_for({role: own[setting] for role, setting in things.items()})
    # A make-up gain stays where it was measured: the drive is set behind it.
    if "gain" in tool.maps:
        found["gain"] = tool.bounces[0].knobs["gain"]
    return found


def why_not_equaliser(tool: Tool, settings: StageSettings) -> str:
    """Why the bands cannot be set on a tool of one band; empty where they can."""
    bands = NARROW.bands(settings)
    model = tool.models[0]
    assert isinstance(model, EqualiserModel)
    for band in bands:
        if band.word("channel") != "stereo":
            return f"it has no band on {band.word('channel')} alone"
        if band.word("type") != model.type:
            return f"it was measured as a {model.type}, and the sheet has a {band.word('type')}"
    return "" if bands else "the sheet has no band here"


def band_positions(tool: Tool, settings: StageSettings) -> tuple[dict[str, float], ...]:
    """Knobs of every band on a tool of one band, one after the other."""
    found = []
    for band in NARROW.bands(settings):
        things = {"frequency": band["freq_hz"], "gain": band["gain_db"], "q": band["q"]}
        found.append(tool.positions_for(things))
    return tuple(found)
