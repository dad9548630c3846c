"""A suggestion carried out on the user's own tools, by their models: what to set on each, and what comes of it.

Stage after stage, on this very song: the knobs of a tool are turned until its model moves the gain as the sheet's stage
does on the same sound, by least squares over the loud part; then to the nearest places that the knobs have. Last the
threshold, until the meter shows what the sheet names. So nothing depends on what two makers mean by "threshold" or
"attack". Behind the last tool the drive is solved again for the loudness, and the limiter's ceiling lowered by what its
peaks pass.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.equaliser import NARROW
from autochain.chain.output import held_trim_db
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, OUTPUT, ChainSettings, StageName, StageSettings
from autochain.chain.stage import Processed, Stage
from autochain.config.model import Target
from autochain.measure.loudness import integrated_lufs, loud_hops, short_term_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.search.facts import loudest_start_s
from autochain.search.result import Suggestion
from autochain.search.tool_limits import tools_by_stage
from autochain.solve.excerpts import GRID_HOPS
from autochain.solve.solver import DITHER_DB
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.fit_compressor import of_level
from autochain.tool.fit_equaliser import EqualiserModel
from autochain.tool.gain_curve import gain_db
from autochain.tool.levenberg import least_squares
from autochain.tool.tool import Tool

Floats = npt.NDArray[np.float64]

_EXCERPT_S, _RUN_UP_S = 15.0, 3.0
_BLOCK_S = 0.01
_LOUD_DB = 30.0  # blocks within as much of the loudest count
_FREE = {
    "compressor": ("threshold", "attack", "release"),
    "limiter": ("release", "lookahead"),
    "clipper": ("ceiling", "softness"),
}
_LEVEL = {"compressor": "threshold", "clipper": "ceiling"}
_STEPS = {"threshold": 0.2, "ceiling": 0.2, "softness": 3.0}
_DRIVE_ROUNDS = 4
_SONG_ROUNDS = 2
_LEAST_ON_A_METER_DB = 0.1
_METER_ROUNDS, _METER_DB = 4, 0.1
_NEAR_LU = 0.05
_DRIVE_STEP_DB = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class OnTool:
    """One stage on the user's tool.

    Attributes
    ----------
    stage, tool
        Which, on what.
    positions
        Knobs by role, at places that they have; empty where the tool cannot be set from here.
    reduction_typical_db, reduction_max_db
        What its meter will show, as the sheet's own for ours; None for a linear stage.
    off_db
        rms difference of its gain from the sheet's stage on the loud part.
    input_gain_db, output_gain_db
        Gains around a clipper whose ceiling does not reach the sheet's; 0 for none.
    why_not
        Why it cannot be set from here; empty where it can.
    """

    stage: StageName
    tool: Tool
    positions: Mapping[str, float]
    reduction_typical_db: float | None = None
    reduction_max_db: float | None = None
    off_db: float = 0.0
    input_gain_db: float = 0.0
    output_gain_db: float = 0.0
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnTools:
    """A suggestion on the user's tools.

    Attributes
    ----------
    stages
        Those that a tool is there for.
    drive_db
        Drive that brings this chain to the loudness.
    trim_db
        The output's trim that holds the ceiling.
    lufs, true_peak_dbtp
        What comes out of the models: loudness in the sense of the target, and the highest of three readings.
    samples
        The song through the models.
    """

    stages: tuple[OnTool, ...]
    drive_db: float | None
    trim_db: float | None
    lufs: float | None
    true_peak_dbtp: float | None
    samples: npt.NDArray[np.float32]


def set_tools(suggestion: Suggestion, tools: Sequence[Tool]) -> OnTools | None:
    """Set the tools so that they do what the suggestion's stages do; None where no stage has a tool."""
    settings, plan = suggestion.chosen.settings, suggestion.config.chain_plan
    by_stage = tools_by_stage(tools)
    if not any(stage in settings for stage in by_stage):
        return None
    return _Rack(suggestion, settings, plan, by_stage).set_tools()


class _Rack:
    """The stages in order, ours or the user's."""

    def __init__(
        self, suggestion: Suggestion, settings: ChainSettings, plan: ChainPlan, tools: Mapping[StageName, Tool]
    ) -> None:
        self.suggestion = suggestion
        self.rate_hz = suggestion.mix.rate_hz
        self.target: Target = suggestion.config.target
        self.settings, self.plan = settings, plan
        self.tools = {stage: tool for stage, tool in tools.items() if stage in settings}
        self.mix = suggestion.mix.samples
        hops = weighted_hops(self.mix, self.rate_hz)
        level = integrated_lufs(hops)
        self.loud = loud_hops(hops, -70.0 if level is None else level)
        hop = self.rate_hz / 100.0
        middle = (loudest_start_s(hops) if hops.size > 300 else 0.0) + 1.5
        begin = max(0.0, min(middle - 0.5 * _EXCERPT_S, len(self.mix) / self.rate_hz - _EXCERPT_S))
        self.run_up = round(min(_RUN_UP_S, begin) * self.rate_hz)
        start = round(begin * 100.0) * round(hop)
        self.excerpt = slice(start - self.run_up, start + round(_EXCERPT_S * self.rate_hz))
        in_excerpt = slice(self.excerpt.start // round(hop), self.excerpt.stop // round(hop))
        self.excerpt_loud = self.loud[in_excerpt].copy()
        self.excerpt_loud[: self.run_up // round(hop)] = False
        self.placed: dict[StageName, OnTool] = {}
        self.typical: dict[StageName, float] = {}  # what the sheet's own stages take in the excerpt
        self.song_typical: dict[StageName, float] = {}  # and in the song

    def set_tools(self) -> OnTools:
        drive = self.settings.get(DRIVE, "gain_db")
        self.plan.render(self.mix, self.rate_hz, self.settings, observe=self._note)
        ours = self._ours_before_drive()
        wanted = None if drive is None else self._heard(self._through_ours(ours, DRIVE))
        before = self._before_drive(self.mix.astype(np.float64))
        piece = before[self.excerpt]
        if drive is None:
            out = self._after_drive(before, None)
            return self._result(before, out, None)
        # As loud on the loud part as the sheet's own chain is there; the song tells the rest.
        # A make-up gain ahead of the drive is the drive's to take back.
        start = drive - sum(_behind(one.tool) for one in self.placed.values() if not one.why_not)
        drive = self._solved(start, wanted, lambda d: self._after_drive(piece, d, place=True))
        if CLIPPER in self.placed:
            # It was set at another drive.
            del self.placed[CLIPPER]
            drive = self._solved(drive, wanted, lambda d: self._after_drive(piece, d, place=True))
        out = self._under_ceiling(before, drive, self._after_drive(before, drive))
        aim = self.target.heard_lufs(self.suggestion.chosen.after)
        for _ in range(_SONG_ROUNDS):
            moved = _moved(drive, self._heard(out), aim)
            if moved == drive:
                break
            drive = moved
            out = self._after_drive(before, drive)
        return self._result(before, out, drive)

    def _note(self, stage: Stage, before: Samples, after: Processed) -> None:
        self.song_typical[stage.name] = self._meter(before, after.samples, 0.0, self.loud)[0]

    def _ours_before_drive(self) -> Floats:
        """The excerpt through the sheet's own stages before the drive."""
        x = self.mix[self.excerpt]
        for name, stage in self.plan.stages.items():
            if name == DRIVE:
                break
            if name in self.settings:
                out = stage.process(x, self.rate_hz, self.settings[name]).samples
                self.typical[name] = self._meter(x, out, 0.0, self.excerpt_loud)[0]
                x = out
        return np.asarray(x, dtype=np.float64)

    def _through_ours(self, x: Floats, first: StageName) -> Floats:
        names = list(self.plan.stages)
        sound = x.astype(np.float32)
        for name in names[names.index(first) :]:
            if name in self.settings and name != OUTPUT:
                out = self.plan.stages[name].process(sound, self.rate_hz, self.settings[name]).samples
                self.typical[name] = self._meter(sound, out, 0.0, self.excerpt_loud)[0]
                sound = out
        return np.asarray(sound, dtype=np.float64)

    def _before_drive(self, x: Floats) -> Floats:
        """The song before the drive, its tools set on the way."""
        for name, stage in self.plan.stages.items():
            if name == DRIVE:
                break
            if name not in self.settings:
                continue
            if name in self.tools:
                self.placed[name] = self._placed(name, x[self.excerpt])
                x = self._by_the_song(name, x)
            else:
                x = self._by_ours(stage.name, x)
        return x

    def _by_the_song(self, name: StageName, x: Floats) -> Floats:
        """Move a compressor's threshold until its meter shows over the song what the sheet names; return its output."""
        for _ in range(_METER_ROUNDS):
            out = self._through(name, x)
            placed = self.placed[name]
            model = None if placed.why_not or "threshold" not in placed.positions else placed.tool.at(placed.positions)
            if not isinstance(model, CompressorModel):
                return out
            over = self._meter(x, out, _behind(placed.tool), self.loud)[0] - self.song_typical[name]
            knob = placed.tool.maps["threshold"]
            now = placed.positions["threshold"]
            # A threshold that is higher by so much takes this much less of what lies over it.
            moved = knob.held(knob.position(knob.thing(now) + over / max(0.2, 1.0 - 1.0 / model.ratio)))
            if abs(over) <= _METER_DB or moved == now:
                return out
            self.placed[name] = replace(placed, positions={**placed.positions, "threshold": moved})
        return self._through(name, x)

    def _after_drive(self, x: Floats, drive_db: float | None, *, place: bool = False) -> Floats:
        """From the drive on, without the output; with `place` the tools are set on what they hear."""
        names = list(self.plan.stages)
        out = x if drive_db is None else x * 10.0 ** (0.05 * drive_db)
        for name in names[names.index(DRIVE) + 1 :]:
            if name not in self.settings or name == OUTPUT:
                continue
            if name in self.tools:
                if place and name not in self.placed:
                    self.placed[name] = self._placed(name, out)
                out = self._through(name, out)
            else:
                out = self._by_ours(name, out)
        return out

    def _by_ours(self, name: StageName, x: Floats) -> Floats:
        stage = self.plan.stages[name]
        return np.asarray(stage.process(x.astype(np.float32), self.rate_hz, self.settings[name]).samples, np.float64)

    def _through(self, name: StageName, x: Floats) -> Floats:
        placed = self.placed[name]
        if placed.why_not:
            return self._by_ours(name, x)
        if placed.tool.kind == "equaliser":
            return _equalised(placed.tool, self.settings[name], x, self.rate_hz)
        model = placed.tool.at(placed.positions)
        gain = 10.0 ** (0.05 * placed.input_gain_db)
        return np.asarray(model.process(x * gain, self.rate_hz) * 10.0 ** (0.05 * placed.output_gain_db))

    def _placed(self, name: StageName, x: Floats) -> OnTool:
        """Set one tool on what it hears in the excerpt."""
        tool = self.tools[name]
        if not tool.trusted:
            return OnTool(stage=name, tool=tool, positions={}, why_not="its model fits badly; set it by the meter")
        if tool.kind == "equaliser":
            why_not = why_not_equaliser(tool, self.settings[name])
            return OnTool(stage=name, tool=tool, positions={}, why_not=why_not)
        x = np.ascontiguousarray(x)
        ours = self._by_ours(name, x)
        blocks = _Blocks(x, self.run_up, self.rate_hz)
        # A clipper works on tops, and one curve may bend below them where another does not.
        read = blocks.top_gain_db if tool.kind == "clipper" else blocks.gain_db
        wanted = read(ours)
        shift = 0.0
        if tool.kind == "clipper" and "ceiling" in tool.maps:
            # A ceiling over what the tool reaches: gains around it, its curve is the same at any level.
            shift = max(0.0, self.settings[name]["ceiling_dbfs"] - tool.maps["ceiling"].reach[1])
            shift = round(float(np.ceil(10.0 * shift)) / 10.0, 6)
        elif tool.kind == "clipper":
            shift = round(self.settings[name]["ceiling_dbfs"] - _ceiling(tool), 1)

        def error(positions: Mapping[str, float], around_db: float) -> Floats:
            out = tool.at(positions).process(x * 10.0 ** (-0.05 * around_db), self.rate_hz)
            return read(out * 10.0 ** (0.05 * around_db)) - wanted - _behind(tool)

        def meter_off(positions: Mapping[str, float], around_db: float) -> Floats:
            out = tool.at(positions).process(x * 10.0 ** (-0.05 * around_db), self.rate_hz)
            typical, _ = self._meter(x, out * 10.0 ** (0.05 * around_db), _behind(tool), self.excerpt_loud)
            return np.array([typical - self.typical[name]])

        # What the meter shows is what the sheet names: the level knob goes by it, times by the course of the gain.
        by_meter = self.typical.get(name, 0.0) > _LEAST_ON_A_METER_DB

        def turned(around_db: float) -> dict[str, float]:
            return self._turned(
                name, tool, lambda p: error(p, around_db), around_db,
                (lambda p: meter_off(p, around_db)) if by_meter else (lambda p: error(p, around_db)),
            )  # fmt: skip

        positions = turned(shift)
        if tool.kind == "clipper" and "ceiling" in tool.maps:
            top = tool.maps["ceiling"].ends[1]
            if positions["ceiling"] >= top - 1e-6:
                # The knob is at its end: the rest by gains around it.
                held = {**positions, "ceiling": top}
                off = meter_off if by_meter else error
                found, _ = least_squares(lambda p: off(held, float(p[0])), [shift], [(0.0, 24.0)], [0.2], 8, 0.01)
                shift = round(float(np.ceil(10.0 * found[0])) / 10.0, 6)
                positions = turned(shift)
        return OnTool(
            stage=name, tool=tool, positions=positions, off_db=float(np.sqrt(np.mean(error(positions, shift) ** 2))),
            input_gain_db=-shift, output_gain_db=shift,
        )  # fmt: skip

    def _turned(
        self,
        name: StageName,
        tool: Tool,
        error: Callable[[Mapping[str, float]], Floats],
        shift: float,
        level_error: Callable[[Mapping[str, float]], Floats],
    ) -> dict[str, float]:
        """Knobs at places that they have."""
        start = self._start(name, tool, shift)
        free = [role for role in _FREE[tool.kind] if role in tool.maps]
        if not free:
            return start
        maps = [tool.maps[role] for role in free]

        def of(point: Floats, roles: list[str]) -> dict[str, float]:
            own = {r: float(np.exp(v)) if tool.maps[r].log else float(v) for r, v in zip(roles, point, strict=True)}
            return {**start, **own}

        def led(
            roles: list[str], begin: Mapping[str, float], rounds: int, by: Callable[[Mapping[str, float]], Floats]
        ) -> dict[str, float]:
            some = [tool.maps[role] for role in roles]
            point, _ = least_squares(
                lambda p: by({**begin, **of(p, roles)}),
                [m.scaled(begin[role]) for role, m in zip(roles, some, strict=True)],
                [(m.scaled(m.ends[0]), m.scaled(m.ends[1])) for m in some],
                [_STEPS.get(role, 0.05 if m.log else 0.1) for role, m in zip(roles, some, strict=True)],
                rounds, 0.01,
            )  # fmt: skip
            return {**begin, **dict(zip(roles, (of(point, roles)[r] for r in roles), strict=True))}

        found = led(free, start, 8, error)
        level = _LEVEL.get(tool.kind)
        rest = {role: tool.maps[role].held(found[role]) for role in free if role != level}
        found |= rest
        if level is not None and level in tool.maps:
            # The other knobs have moved to places that they have: the level follows.
            found = led([level], found, 8, level_error)
        return {role: tool.maps[role].held(at) for role, at in found.items() if role in tool.maps} if maps else found

    def _start(self, name: StageName, tool: Tool, shift: float) -> dict[str, float]:
        """Where the sheet's own settings would put the knobs."""
        own = self.settings[name]
        things = {
            "compressor": {"threshold": "threshold_db", "ratio": "ratio", "knee": "knee_db", "attack": "attack_ms",
                           "release": "release_ms", "lookahead": "lookahead_ms"},
            "limiter": {"ceiling": "ceiling_dbtp", "release": "release_ms", "lookahead": "lookahead_ms"},
            "clipper": {"ceiling": "ceiling_dbfs", "softness": "softness"},
        }[tool.kind]  # fmt: skip
        wanted = {role: own[setting] for role, setting in things.items()}
        if "ceiling" in wanted:
            wanted["ceiling"] -= shift
        found = tool.positions_for(wanted)
        # A make-up gain stays where it was measured: the drive is set behind it.
        if "gain" in tool.maps:
            found["gain"] = tool.bounces[0].knobs["gain"]
        return found

    def _solved(self, start_db: float, wanted: float | None, render: Callable[[float], Floats]) -> float:
        """Drive on a hand's steps that makes the excerpt as loud as it is with ours."""
        drive = start_db
        for _ in range(_DRIVE_ROUNDS):
            moved = _moved(drive, self._heard(render(drive)), wanted)
            if moved == drive:
                break
            drive = moved
        return drive

    def _heard(self, x: Floats) -> float | None:
        hops = weighted_hops(x.astype(np.float32), self.rate_hz)
        if not self.target.of_loudest_part:
            return integrated_lufs(hops)
        windows = short_term_lufs(hops)
        return float(np.max(windows)) if windows.size else None

    def _under_ceiling(self, before: Floats, drive: float, out: Floats) -> Floats:
        """Lower a limiter's ceiling once by what the peaks pass."""
        placed = self.placed.get(LIMITER)
        if placed is None or placed.why_not or "ceiling" not in placed.tool.maps:
            return out
        peak = read_true_peak(out.astype(np.float32), self.rate_hz).highest_dbtp
        over = 0.0 if peak is None else peak + DITHER_DB - self.target.ceiling_dbtp
        if over <= 0.0:
            return out
        knob = placed.tool.maps["ceiling"]
        step = knob.knob.step or 0.1
        lowered = knob.held(knob.position(knob.thing(placed.positions["ceiling"]) - over - step))
        self.placed[LIMITER] = replace(placed, positions={**placed.positions, "ceiling": lowered})
        return self._after_drive(before, drive)

    def _result(self, before: Floats, out: Floats, drive: float | None) -> OnTools:
        peak = read_true_peak(out.astype(np.float32), self.rate_hz).highest_dbtp
        trim = None
        if OUTPUT in self.settings and peak is not None:
            trim = held_trim_db(peak, self.target.ceiling_dbtp, DITHER_DB) + 0.0
            out = out * 10.0 ** (0.05 * trim)
            peak += trim
        stages = tuple(self._with_meter(before, drive))
        return OnTools(
            stages=stages, drive_db=drive, trim_db=trim, lufs=self._heard(out), true_peak_dbtp=peak,
            samples=out.astype(np.float32),
        )  # fmt: skip

    def _with_meter(self, before: Floats, drive: float | None) -> list[OnTool]:
        """What every tool takes in the loud parts of the song."""
        found = list[OnTool]()
        x = self.mix.astype(np.float64)
        for name, stage in self.plan.stages.items():
            if name not in self.settings or name == OUTPUT:
                continue
            if name == DRIVE:
                x = before if drive is None else before * 10.0 ** (0.05 * drive)
                continue
            if name not in self.placed:
                x = self._by_ours(stage.name, x)
                continue
            placed = self.placed[name]
            out = self._through(name, x)
            if placed.tool.kind != "equaliser":
                typical, most = self._meter(x, out, _behind(placed.tool), self.loud)
                placed = replace(placed, reduction_typical_db=typical, reduction_max_db=most)
            found.append(placed)
            x = out
        return found

    def _meter(
        self, x: Samples, out: Samples, behind_db: float, loud: npt.NDArray[np.bool_]
    ) -> tuple[float, float]:
        """Typical reduction in the loud parts, and the largest, as `facts` tells them of ours."""
        hop = round(self.rate_hz / 100.0)
        count = len(x) // hop
        size = np.abs(x[: count * hop]).max(axis=1).reshape(count, hop)
        at = size.argmax(axis=1)
        top = size[np.arange(count), at]
        after = np.abs(out[: count * hop]).max(axis=1).reshape(count, hop)[np.arange(count), at]
        taken = np.where(top > 1e-4, 20.0 * np.log10(np.maximum(top, 1e-9) / np.maximum(after, 1e-9)) + behind_db, 0.0)
        whole = min(count, len(loud)) // GRID_HOPS * GRID_HOPS
        busy = loud[:whole].reshape(-1, GRID_HOPS).mean(axis=1) >= 0.5
        peaks = taken[:whole].reshape(-1, GRID_HOPS).max(axis=1)[busy]
        return (float(np.median(peaks)) if peaks.size else 0.0), float(taken.max(initial=0.0))


class _Blocks:
    """Gain of a sound against what went in, in the blocks that are loud; in blocks of 10 ms behind the run-up."""

    def __init__(self, x: Floats, run_up: int, rate_hz: int) -> None:
        self._first = run_up
        block = round(_BLOCK_S * rate_hz)
        count = (len(x) - run_up) // block
        self._starts = np.arange(count) * block
        self._x = x[run_up : run_up + count * block]
        size = np.abs(self._x).max(axis=1)
        self._tops = self._starts + size.reshape(count, block).argmax(axis=1)
        self._top = size[self._tops]
        level = of_level(np.sum(self._x**2, axis=1), self._starts)
        self._loud = level > level.max() - _LOUD_DB

    def gain_db(self, out: Floats) -> Floats:
        piece = out[self._first : self._first + len(self._x)]
        found = gain_db(self._x, piece, self._starts)[self._loud]
        return np.asarray(np.nan_to_num(found, nan=-60.0))

    def top_gain_db(self, out: Floats) -> Floats:
        """Gain of the largest sample of every block: what a meter shows."""
        piece = np.abs(out[self._first : self._first + len(self._x)]).max(axis=1)
        after = np.maximum(piece[self._tops], 1e-9)
        return np.asarray((20.0 * np.log10(after / np.maximum(self._top, 1e-9)))[self._loud])


def _moved(drive_db: float, heard: float | None, wanted: float | None) -> float:
    """The drive that makes up for what is missing, on a hand's steps."""
    if heard is None or wanted is None or abs(wanted - heard) <= _NEAR_LU:
        return drive_db
    return round(round((drive_db + wanted - heard) / _DRIVE_STEP_DB) * _DRIVE_STEP_DB, 6)


def _ceiling(tool: Tool) -> float:
    model = tool.models[0]
    assert isinstance(model, ClipperModel)
    return model.ceiling_dbfs


def _behind(tool: Tool) -> float:
    """Gain behind a tool as it was measured."""
    return float(getattr(tool.models[0], "gain_db", 0.0))


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


def band_positions(tool: Tool, settings: StageSettings) -> list[dict[str, float]]:
    """Knobs of every band on a tool of one band, one after the other."""
    found = []
    for band in NARROW.bands(settings):
        things = {"frequency": band["freq_hz"], "gain": band["gain_db"], "q": band["q"]}
        found.append(tool.positions_for(things))
    return found


def _equalised(tool: Tool, settings: StageSettings, x: Floats, rate_hz: int) -> Floats:
    out = x
    for positions in band_positions(tool, settings):
        out = tool.at(positions).process(out, rate_hz)
    return out
