"""A suggestion carried out on the user's own tools, by their models: what to set on each, and what comes of it.

Stage after stage, on this very song: what each tool is set to is found on an excerpt (`turned_knobs`), a compressor's
threshold then on the song, until its meter shows what the sheet names. From there clipper and limiter go to where the
chain costs least (`tuned_tools`). Then the drive is solved again on the song for the loudness, and the limiter's
ceiling moved to the last step at which its peaks hold. What goes into a tool is kept under full scale by gains around
it: one that works in fixed point clips what lies over. What the tools cost is told where they then stand.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Mix, Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.output import held_trim_db
from autochain.chain.settings import DRIVE, LIMITER, OUTPUT, ChainSettings, StageName
from autochain.chain.stage import Processed, Stage
from autochain.config.model import Config
from autochain.measure.loudness import integrated_lufs, loud_hops, short_term_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.search.facts import loudest_start_s
from autochain.search.result import Suggestion
from autochain.search.tool_limits import tools_by_stage
from autochain.search.tuned_tools import Locked, ToolLoss, ToolPrices, tuned_placing
from autochain.search.turned_knobs import ToolExcerpt, TopsMeter, band_positions, turned, why_not_equaliser
from autochain.solve.solver import DITHER_DB
from autochain.tool.as_stage import Placed, behind_db
from autochain.tool.compressor_model import CompressorModel
from autochain.tool.tool import Tool

Floats = npt.NDArray[np.float64]

_EXCERPT_S, _RUN_UP_S = 15.0, 3.0
_DRIVE_ROUNDS = 4
_SONG_ROUNDS = 4
_METER_ROUNDS, _METER_DB = 8, 0.1
_NEAR_LU = 0.05
_DRIVE_STEP_DB = 0.1
_SPARE_DB = 0.5  # under full scale, for a drive that is trimmed by ear or meter; also the steps of gains around a tool
_FITS_BADLY = "its model fits badly; set it by the meter"


@dataclass(frozen=True, slots=True, kw_only=True)
class OnTool:
    """One stage on the user's tool.

    Attributes
    ----------
    stage, tool
        Which, on what.
    placed
        The tool at positions that its knobs have, and gains around it; None where it cannot be set from here.
    reduction_typical_db, reduction_max_db
        What its meter will show, as the sheet's own for ours; None for a linear stage.
    off_db
        rms difference of its gain from the sheet's stage on the loud part.
    why_not
        Why it cannot be set from here; empty where it can.
    """

    stage: StageName
    tool: Tool
    placed: Placed | None
    reduction_typical_db: float | None = None
    reduction_max_db: float | None = None
    off_db: float = 0.0
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
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
    loss
        How much more it costs than on the sheet's own stages; None where nothing of it can be set from here.
    """

    stages: tuple[OnTool, ...]
    drive_db: float | None
    trim_db: float | None
    lufs: float | None
    true_peak_dbtp: float | None
    loss: ToolLoss | None = None


def set_tools(suggestion: Suggestion, tools: Sequence[Tool]) -> OnTools | None:
    """Set the tools so that they do what the suggestion's stages do; None where no stage has a tool."""
    config, chosen = suggestion.config, suggestion.chosen
    aim_lufs = config.target.heard_lufs(chosen.after)
    locked = suggestion.decisions.locks
    return set_on(suggestion.mix, config, chosen.settings, aim_lufs, tools, config.chain_plan, locked)


def set_on(
    mix: Mix,
    config: Config,
    settings: ChainSettings,
    aim_lufs: float | None,
    tools: Sequence[Tool],
    plan: ChainPlan,
    locked: Locked,
) -> OnTools | None:
    """The same for any settings of a chain, which are to be `aim_lufs` loud in the sense of the target.

    What is `locked`, by stage and setting, is not moved to where the chain costs less.
    """
    by_stage = tools_by_stage(tools)
    if not any(stage in settings for stage in by_stage):
        return None
    return _Rack(mix, config, settings, by_stage, plan).set_tools(aim_lufs, locked)


class _Rack:
    """The stages in order, ours or the user's."""

    def __init__(
        self, mix: Mix, config: Config, settings: ChainSettings, tools: Mapping[StageName, Tool], plan: ChainPlan
    ) -> None:
        self.rate_hz, self.target, self.config = mix.rate_hz, config.target, config
        self.settings, self.plan = settings, plan
        self.tools = {stage: tool for stage, tool in tools.items() if stage in settings}
        self.song, self.mix = mix, mix.samples
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
        self.slope = 1.0  # LU per dB of drive, as far as it is known
        self.placed: dict[StageName, OnTool] = {}
        self.typical: dict[StageName, float] = {}  # what the sheet's own stages take in the excerpt
        self.song_typical: dict[StageName, float] = {}  # and in the song, before the drive

    def set_tools(self, aim_lufs: float | None, locked: Locked) -> OnTools:
        drive = self.settings.get(DRIVE, "gain_db")
        ours = self._through_ours(self.mix[self.excerpt], self._before)
        wanted = None if drive is None else self._heard(self._through_ours(ours, self._behind))
        before = self._before_drive(self.mix.astype(np.float64))
        if drive is None:
            return self._result(self._after_drive(before, None, song=True), None)
        piece = before[self.excerpt]
        # As loud on the loud part as the sheet's own chain is there; the song tells the rest.
        # A make-up gain ahead of the drive is the drive's to take back.
        start = drive - sum(behind_db(one.tool) for one in self.placed.values() if one.placed is not None)
        drive = self._solved(start, wanted, lambda d: self._after_drive(piece, d, place=True))
        if any(one.tool.kind == "clipper" for one in self.placed.values()):
            # It was set at another drive.
            self.placed = {name: one for name, one in self.placed.items() if one.tool.kind != "clipper"}
            drive = self._solved(drive, wanted, lambda d: self._after_drive(piece, d, place=True))
        drive, prices = self._tuned(drive, locked)
        out = self._after_drive(before, drive, song=True)
        for _ in range(_SONG_ROUNDS):
            moved = _moved(drive, self._heard(out), aim_lufs, self.slope)
            if not self._ceiling_moved(out, locked) and moved == drive:
                break
            drive = moved
            out = self._after_drive(before, drive, song=True)
        loss = None
        if prices is not None:
            placed = self._in_place
            loss = prices.loss(placed, prices.price(placed, drive))
        return replace(self._result(out, drive), loss=loss)

    def _tuned(self, drive_db: float, locked: Locked) -> tuple[float, ToolPrices | None]:
        """Move knobs to where the chain costs least; the drive that this takes, and what told so."""
        if not self._in_place:
            return drive_db, None
        config = self.config
        prices = ToolPrices(self.song, self.plan, self.settings, self.target, config.search, config.weights)
        self.slope = prices.slope
        best, priced = tuned_placing(prices, self._in_place, drive_db, locked)
        self.placed = {
            name: replace(one, placed=best[name]) if name in best else one for name, one in self.placed.items()
        }
        return round(round(priced.drive_db / _DRIVE_STEP_DB) * _DRIVE_STEP_DB, 6), prices

    @property
    def _in_place(self) -> dict[StageName, Placed]:
        """Tools that can be set from here."""
        return {name: one.placed for name, one in self.placed.items() if one.placed is not None}

    @property
    def _before(self) -> tuple[StageName, ...]:
        """Stages before the drive that run."""
        names = tuple(self.plan.stages)
        return tuple(n for n in names[: names.index(DRIVE)] if n in self.settings)

    @property
    def _behind(self) -> tuple[StageName, ...]:
        """From the drive on, without the output."""
        return tuple(n for n in self.plan.level if n in self.settings)

    def _through_ours(self, x: Samples, names: Sequence[StageName]) -> Samples:
        """The excerpt through the sheet's own stages, what each takes noted."""

        def note(stage: Stage, before: Samples, after: Processed) -> None:
            if stage.name in self.tools:
                meter = TopsMeter(before, self.rate_hz, self.excerpt_loud)
                self.typical[stage.name] = meter.read(after.samples, 0.0)[0]

        return self.plan.render(x, self.rate_hz, self.settings, stages=names, observe=note).samples

    def _note_song(self) -> None:
        """What the sheet's own compressors take over the song, where tools stand for them."""
        if not any(name in self.tools and self.tools[name].kind == "compressor" for name in self._before):
            return

        def note(stage: Stage, before: Samples, after: Processed) -> None:
            if stage.name in self.tools:
                meter = TopsMeter(before, self.rate_hz, self.loud)
                self.song_typical[stage.name] = meter.read(after.samples, 0.0)[0]

        self.plan.render(self.mix, self.rate_hz, self.settings, stages=self._before, observe=note)

    def _before_drive(self, x: Floats) -> Floats:
        """The song before the drive, its tools set on the way."""
        self._note_song()
        for name in self._before:
            if name in self.tools:
                self.placed[name] = self._set(name, x[self.excerpt])
                x = self._by_the_song(name, x)
            else:
                x = self._by_ours(name, x)
        return x

    def _by_the_song(self, name: StageName, x: Floats) -> Floats:
        """Move a compressor's threshold until its meter shows over the song what the sheet names; return its output."""
        one = self.placed[name]
        if one.placed is None:
            return self._by_ours(name, x)
        if one.tool.kind == "equaliser":
            return one.placed.process(x, self.rate_hz)
        one = replace(one, placed=under_full_scale(one.placed, float(np.abs(x).max(initial=0.0))))
        meter = TopsMeter(x, self.rate_hz, self.loud)
        too_much, too_little = -math.inf, math.inf  # thresholds, dBFS
        stride, best = 1.0, math.inf
        kept = x
        for _ in range(_METER_ROUNDS):
            placed = one.placed
            assert placed is not None
            out = placed.process(x, self.rate_hz)
            typical, most = meter.read(out, placed.behind_db)
            one = replace(one, reduction_typical_db=typical, reduction_max_db=most)
            over = typical - self.song_typical[name]
            if abs(over) < best:
                best, kept, self.placed[name] = abs(over), out, one
            (positions,), (model,) = placed.positions, placed.models
            if abs(over) <= _METER_DB or "threshold" not in positions or not isinstance(model, CompressorModel):
                break
            knob, now = one.tool.maps["threshold"], model.threshold_dbfs
            too_much, too_little = (max(too_much, now), too_little) if over > 0.0 else (too_much, min(too_little, now))
            # A threshold that is higher by so much takes this much less of what lies over it; a meter that shows
            # nothing yet needs more.
            aim = now + stride * over / max(0.2, 1.0 - 1.0 / model.ratio)
            if not too_much < aim < too_little:
                aim = 0.5 * (too_much + too_little)
            stride *= 2.0
            moved = knob.held(knob.position(aim))
            if moved == positions["threshold"]:
                break
            one = replace(one, placed=_with(placed, {"threshold": moved}))
        return kept

    def _after_drive(self, x: Floats, drive_db: float | None, *, place: bool = False, song: bool = False) -> Floats:
        """From the drive on, without the output; with `place` the tools are set, with `song` their meters are read."""
        out = x if drive_db is None else x * 10.0 ** (0.05 * drive_db)
        for name in self._behind:
            if name == DRIVE:
                continue
            if name not in self.tools:
                out = self._by_ours(name, out)
                continue
            if place and name not in self.placed:
                self.placed[name] = self._set(name, out)
            out = self._through(name, out, song)
        return out

    def _by_ours(self, name: StageName, x: Floats) -> Floats:
        stage = self.plan.stages[name]
        return np.asarray(stage.process(x.astype(np.float32), self.rate_hz, self.settings[name]).samples, np.float64)

    def _through(self, name: StageName, x: Floats, song: bool) -> Floats:
        one = self.placed[name]
        if one.placed is None:
            return self._by_ours(name, x)
        if song:
            one = replace(one, placed=under_full_scale(one.placed, float(np.abs(x).max(initial=0.0))))
            self.placed[name] = one
        assert one.placed is not None
        out = one.placed.process(x, self.rate_hz)
        if song:
            typical, most = TopsMeter(x, self.rate_hz, self.loud).read(out, one.placed.behind_db)
            self.placed[name] = replace(one, reduction_typical_db=typical, reduction_max_db=most)
        return out

    def _set(self, name: StageName, x: Floats) -> OnTool:
        """Set one tool on what it hears in the excerpt."""
        tool, settings = self.tools[name], self.settings[name]
        if not tool.trusted:
            return OnTool(stage=name, tool=tool, placed=None, why_not=_FITS_BADLY)
        if tool.kind == "equaliser":
            why_not = why_not_equaliser(tool, settings)
            placed = None if why_not else Placed(tool=tool, positions=band_positions(tool, settings))
            return OnTool(stage=name, tool=tool, placed=placed, why_not=why_not)
        x = np.ascontiguousarray(x)
        heard = ToolExcerpt(
            x=x, ours=self._by_ours(name, x), typical_db=self.typical.get(name, 0.0), rate_hz=self.rate_hz,
            run_up=self.run_up, loud=self.excerpt_loud,
        )  # fmt: skip
        placed, off_db = turned(tool, settings, heard)
        return OnTool(stage=name, tool=tool, placed=placed, off_db=off_db)

    def _solved(self, start_db: float, wanted: float | None, render: Callable[[float], Floats]) -> float:
        """Drive on a hand's steps that makes the excerpt as loud as it is with ours."""
        drive = start_db
        for _ in range(_DRIVE_ROUNDS):
            moved = _moved(drive, self._heard(render(drive)), wanted, self.slope)
            if moved == drive:
                break
            drive = moved
        return drive

    def _heard(self, x: Samples | Floats) -> float | None:
        hops = weighted_hops(x.astype(np.float32), self.rate_hz)
        if not self.target.of_loudest_part:
            return integrated_lufs(hops)
        windows = short_term_lufs(hops)
        return float(np.max(windows)) if windows.size else None

    def _ceiling_moved(self, out: Floats, locked: Locked) -> bool:
        """Move a limiter's ceiling by whole steps to the last at which its peaks hold the target's; whether it was."""
        one = self.placed.get(LIMITER)
        if one is None or one.placed is None or "ceiling" not in one.placed.positions[0]:
            return False
        peak = read_true_peak(out.astype(np.float32), self.rate_hz).highest_dbtp
        if peak is None:
            return False
        knob, was = one.tool.maps["ceiling"], one.placed.positions[0]["ceiling"]
        step_db = knob.knob.step or 0.1
        by_db = math.floor((self.target.ceiling_dbtp - peak - DITHER_DB) / step_db) * step_db
        if (LIMITER, "ceiling_dbtp") in locked:
            by_db = min(0.0, by_db)
        now_db = knob.thing(was) + one.placed.around_db
        by_db = min(by_db, max(0.0, self.target.ceiling_dbtp - now_db))  # never set over what is promised
        moved = knob.held(knob.position(knob.thing(was) + by_db))
        self.placed[LIMITER] = replace(one, placed=_with(one.placed, {"ceiling": moved}))
        return moved != was

    def _result(self, out: Floats, drive: float | None) -> OnTools:
        peak = read_true_peak(out.astype(np.float32), self.rate_hz).highest_dbtp
        lufs, trim = self._heard(out), None
        if OUTPUT in self.settings and peak is not None:
            trim = held_trim_db(peak, self.target.ceiling_dbtp, DITHER_DB) + 0.0
            peak += trim
            lufs = None if lufs is None else lufs + trim
        stages = tuple(self.placed[name] for name in self.plan.stages if name in self.placed)
        return OnTools(stages=stages, drive_db=drive, trim_db=trim, lufs=lufs, true_peak_dbtp=peak)


def under_full_scale(placed: Placed, peak: float) -> Placed:
    """The same with gains around it that keep what goes in under 0 dBFS, its threshold or ceiling moved along.

    A clipper that stays where it was measured has its gains already: over full scale its output is at its end.
    Unchanged where the tool is known to pass such levels, has no such knob, or cannot go so low.
    """
    role = "threshold" if placed.tool.kind == "compressor" else "ceiling"
    over_db = 20.0 * math.log10(max(peak, 1e-9)) - placed.around_db
    passes = placed.tool.kind == "clipper" or placed.tool.over_full_scale == "passes"
    if over_db <= 0.0 or passes or role not in placed.positions[0]:
        return placed
    knob, at = placed.tool.maps[role], placed.positions[0][role]
    wanted = knob.thing(at) - math.ceil((over_db + _SPARE_DB) / _SPARE_DB) * _SPARE_DB
    lower = knob.held(knob.position(wanted))
    moved_db = round(knob.thing(at) - knob.thing(lower), 1)
    if moved_db < over_db:
        return placed
    return replace(_with(placed, {role: lower}), around_db=round(placed.around_db + moved_db, 6))


def _with(placed: Placed, positions: Mapping[str, float]) -> Placed:
    """The tool with some knobs moved."""
    return replace(placed, positions=tuple({**own, **positions} for own in placed.positions))


def _moved(drive_db: float, heard: float | None, wanted: float | None, slope: float) -> float:
    """The drive that makes up for what is missing, on a hand's steps."""
    if heard is None or wanted is None or abs(wanted - heard) <= _NEAR_LU:
        return drive_db
    return round(round((drive_db + (wanted - heard) / slope) / _DRIVE_STEP_DB) * _DRIVE_STEP_DB, 6)
