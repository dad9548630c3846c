"""Knobs of the user's tools moved by what the chain costs on them, to places that they have.

Where another processor cannot do what the sheet's stage does, doing nearly the same need not be the best that it can
do: a limiter without look-ahead wants another release, a clipper with another corner another share of the peaks. So
the knobs of both go a step to either side, as long as the score of the chain falls. The score is the search's own, on
the excerpts, through the models of the tools, and always at the loudness that the sheet's chain has there. Compressors
stay: what they do to the level is meant.
"""

from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass, replace

from autochain.audio.mix import Mix, Samples
from autochain.chain.chain import ChainPlan
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, OUTPUT, ChainSettings, StageName
from autochain.chain.stage import GainTrace
from autochain.config.model import SearchPlan, Target, Weights
from autochain.measure.loudness import Series, integrated_lufs, weighted_hops
from autochain.measure.true_peak import QUICK_READINGS, TruePeakMeter
from autochain.search.costs import CostReference, Costs, score, terms
from autochain.search.evaluator import OUT_OF_REACH_PER_LU
from autochain.solve.drive import Solution, within_slopes
from autochain.solve.excerpts import choose_spans
from autochain.solve.material import Material
from autochain.solve.solved import Solved
from autochain.solve.solver import DITHER_DB, SILENT_LUFS
from autochain.tool.as_stage import Placed, stage_on_tool
from autochain.tool.clipper_model import ClipperModel
from autochain.tool.knobs import KnobMap

Placing = Mapping[StageName, Placed]
Locked = Container[tuple[str, str]]  # stage and setting

# A step that gains less is not worth another place than the sheet's own stage would have. Limits of this project.
WORTH = 0.03
_MOST_TRIALS = 60
# By kind, what moves, and the sheet's setting of the same: a locked one stays.
_KNOBS: Mapping[str, Mapping[str, str]] = {
    "clipper": {"ceiling": "ceiling_dbfs", "softness": "softness"},
    "limiter": {"release": "release_ms", "lookahead": "lookahead_ms"},
}
_RATIOS = (2.0, 2.0**0.5)  # of a first and a second round
_STEPS = {"softness": (20.0, 10.0)}
_STEP = (1.0, 0.5)  # dB, and ms of a knob that begins at 0
_NEAR_LU, _REACH_LU = 0.05, 0.3
_MOST_RENDERS = 4
_ASIDE_DB = 0.15  # to learn what a LU costs


@dataclass(frozen=True, slots=True, kw_only=True)
class OnToolsPriced:
    """A chain on the excerpts, at the loudness of the sheet's.

    Attributes
    ----------
    score
        Its score.
    costs
        What it costs.
    drive_db
        The drive that it took.
    """

    score: float
    costs: Costs
    drive_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolLoss:
    """How much more a chain costs on the user's tools than on the sheet's own stages, on the excerpts.

    Attributes
    ----------
    score
        Points of score; negative where it costs less.
    cost
        Name of the cost that rises most; empty where none does.
    stage
        The stage whose tool costs most, by the sheet's own in its place; None where none costs any.
    """

    score: float
    cost: str
    stage: StageName | None


class ToolPrices:
    """Prices a chain in which tools stand for stages, each placing at one and the same loudness.

    Parameters
    ----------
    mix
        The whole mix.
    plan, settings
        The sheet's chain; its drive is where its loudness is read.
    target
        What is wanted of the song.
    search, weights
        How much of the song is heard, and what costs weigh.

    Attributes
    ----------
    ours
        The chain on the sheet's own stages.
    slope
        Its loudness by its drive, LU per dB.
    trials
        Placings priced so far.
    """

    def __init__(
        self, mix: Mix, plan: ChainPlan, settings: ChainSettings, target: Target, search: SearchPlan, weights: Weights
    ) -> None:
        self._plan, self._settings, self._weights = plan, settings, weights
        self._ceiling_dbtp = target.ceiling_dbtp
        linear = [name for name in plan.linear if name in settings]
        reference = plan.render(mix.samples, mix.rate_hz, settings, stages=linear).samples
        hops = weighted_hops(reference, mix.rate_hz)
        level = integrated_lufs(hops)
        level = SILENT_LUFS if level is None else level
        spans = choose_spans(hops, level, search.excerpts)
        self._material = Material(
            mix.samples, mix.rate_hz, hops, level, spans, reference, of_loudest_part=target.of_loudest_part
        )
        self._reference = CostReference(self._material)
        names = [name for name in plan.stages if name in settings and name != OUTPUT]
        self._before = tuple(names[: names.index(DRIVE)])
        self._behind = tuple(names[names.index(DRIVE) :])
        self._kept: dict[tuple[str, ...], tuple[list[Samples], list[dict[StageName, GainTrace]]]] = {}
        self.slope, self._a_lu, self.trials = 0.75, 0.0, 0
        drive_db = settings[DRIVE]["gain_db"]
        ours = self._rendered({}, drive_db)
        self._aim_lufs = self._lufs(ours)
        less = self._rendered({}, drive_db - _ASIDE_DB)
        rise_lu = max(1e-3, self._aim_lufs - self._lufs(less))
        self.slope = within_slopes(rise_lu / _ASIDE_DB)
        own, quieter = (self._reference.costs(solved) for solved in (ours, less))
        self._a_lu = max(0.0, (score(own, weights) - score(quieter, weights)) / rise_lu)
        self.ours = OnToolsPriced(score=score(own, weights), costs=own, drive_db=drive_db)

    def price(self, placed: Placing, drive_db: float) -> OnToolsPriced:
        """Price a placing; its drive is looked for from `drive_db` on."""
        self.trials += 1
        solved = self._rendered(placed, drive_db)
        over_lu = self._lufs(solved) - self._aim_lufs
        for _ in range(_MOST_RENDERS - 1):
            if abs(over_lu) <= _NEAR_LU:
                break
            drive_db -= over_lu / self.slope
            solved = self._rendered(placed, drive_db)
            over_lu = self._lufs(solved) - self._aim_lufs
        costs = self._reference.costs(solved)
        # What is still missing is told by what a LU costs, and out of reach is what misses more.
        beyond_lu = max(0.0, abs(over_lu) - _REACH_LU)
        return OnToolsPriced(
            score=score(costs, self._weights) - self._a_lu * over_lu + OUT_OF_REACH_PER_LU * beyond_lu,
            costs=costs,
            drive_db=drive_db - over_lu / self.slope,
        )

    def loss(self, placed: Placing, priced: OnToolsPriced) -> ToolLoss:
        """How much more a placing costs than the sheet's own stages, by what and by which tool."""
        ours, theirs = (terms(one.costs, self._weights) for one in (self.ours, priced))
        risen = {name: theirs[name] - ours[name] for name in ours}
        cost = max(risen, key=lambda name: risen[name])
        saved = {
            name: priced.score - self.price({n: p for n, p in placed.items() if n != name}, priced.drive_db).score
            for name in placed
        }
        stage = max(saved, key=saved.__getitem__, default=None)
        return ToolLoss(
            score=priced.score - self.ours.score,
            cost=cost if risen[cost] > 0.0 else "",
            stage=stage if stage is not None and saved[stage] > 0.0 else None,
        )

    def _lufs(self, solved: Solved) -> float:
        """Loudness, less what has to be turned down to hold the ceiling."""
        heard = self._material.wanted_lufs(solved.hops)
        peak = solved.true_peak_dbtp
        over_db = 0.0 if peak is None else max(0.0, peak + DITHER_DB - self._ceiling_dbtp)
        return (SILENT_LUFS if heard is None else heard) - over_db

    def _rendered(self, placed: Placing, drive_db: float) -> Solved:
        plan, rate_hz = self._plan, self._material.rate_hz
        stages = {name: stage_on_tool(s, placed[name]) if name in placed else s for name, s in plan.stages.items()}
        plan = replace(plan, stages=stages)
        before, traces = self._before_drive(plan, placed)
        settings = self._settings.with_(DRIVE, gain_db=drive_db)
        outputs = [plan.render(x, rate_hz, settings, stages=self._behind) for x in before]
        rendered = [one.samples for one in outputs]
        scored = self._material.scored(rendered)
        peak = TruePeakMeter(rate_hz, scored.shape[1], QUICK_READINGS)
        peak.push(scored)
        hops: list[Series] = self._material.scored_hops(rendered)
        return Solved(
            settings=self._as_clipped(settings, placed),
            solution=Solution(drive_db=drive_db, reached_lufs=0.0, met=True, slope=self.slope, renders=1),
            loss_db=0.0,
            before_peaks=before,
            rendered=rendered,
            traces=[{**t, **one.traces} for t, one in zip(traces, outputs, strict=True)],
            hops=hops,
            true_peak_dbtp=peak.result().highest_dbtp,
        )

    def _before_drive(
        self, plan: ChainPlan, placed: Placing
    ) -> tuple[list[Samples], list[dict[StageName, GainTrace]]]:
        """The excerpts before the drive; what the last placing had in common with this one is not rendered again."""
        samples: list[Samples] = [s.samples for s in self._material.segments]
        traces: list[dict[StageName, GainTrace]] = [{} for _ in samples]
        kept = dict[tuple[str, ...], tuple[list[Samples], list[dict[StageName, GainTrace]]]]()
        key = tuple[str, ...]()
        for name in self._before:
            key = (*key, f"{name} {placed[name].positions} {placed[name].around_db}" if name in placed else name)
            if key in self._kept:
                samples, traces = self._kept[key]
            else:
                done = [plan.stages[name].process(x, self._material.rate_hz, self._settings[name]) for x in samples]
                samples = [one.samples for one in done]
                traces = [
                    t if one.trace is None else {**t, name: one.trace} for t, one in zip(traces, done, strict=True)
                ]
            kept[key] = samples, traces
        self._kept = kept
        return samples, traces

    @staticmethod
    def _as_clipped(settings: ChainSettings, placed: Placing) -> ChainSettings:
        """Settings whose ceilings are those of the tools: where the first peak stage begins to work is priced."""
        for name, setting in ((CLIPPER, "ceiling_dbfs"), (LIMITER, "ceiling_dbtp")):
            if name in placed:
                ceiling_dbfs = placed[name].models[0].ceiling_dbfs  # type: ignore[union-attr]
                settings = settings.with_(name, {setting: ceiling_dbfs + placed[name].around_db})
        return settings


def tuned_placing(
    prices: ToolPrices, placed: Placing, drive_db: float, locked: Locked
) -> tuple[dict[StageName, Placed], OnToolsPriced]:
    """Move one knob after the other by whole, then by half steps, as long as that lowers the score."""
    best, priced = dict(placed), prices.price(placed, drive_db)
    for finer in (0, 1):
        for stage in placed:
            for knob in _knobs(best[stage], stage, locked):
                for way in (1, -1):
                    moved = False
                    while prices.trials < _MOST_TRIALS:
                        one = _moved(best[stage], knob, way, finer)
                        if one is None:
                            break
                        trial = {**best, stage: one}
                        found = prices.price(trial, priced.drive_db)
                        if found.score > priced.score - WORTH:
                            break
                        best, priced, moved = trial, found, True
                    if moved:
                        break
    return best, priced


def _knobs(placed: Placed, stage: StageName, locked: Locked) -> Iterator[str]:
    """What can be moved: knobs by role, and the gains around a clipper that stays at its place."""
    for role, setting in _KNOBS.get(placed.tool.kind, {}).items():
        if (stage, setting) in locked:
            continue
        if role == "ceiling" and _stays(placed):
            yield "around"
        elif role in placed.positions[0] and role in placed.tool.maps:
            yield role


def _stays(placed: Placed) -> bool:
    """Whether a clipper's ceiling stays, so that gains around it do what its knob would."""
    if "ceiling" not in placed.tool.maps or placed.around_db:
        return True
    low, high = placed.tool.known_ceilings
    return low == high


def _moved(placed: Placed, knob: str, way: int, finer: int) -> Placed | None:
    """One step on; None where the knob is at its end."""
    if knob == "around":
        return replace(placed, around_db=round(placed.around_db + way * _STEP[finer], 6) + 0.0)
    (own,) = placed.positions
    held: KnobMap = placed.tool.maps[knob]
    at = own[knob]
    to = held.held(at * _RATIOS[finer] ** way if held.log else at + way * _STEPS.get(knob, _STEP)[finer])
    if knob == "ceiling" and isinstance(placed.models[0], ClipperModel):
        low, high = placed.tool.known_ceilings
        to = held.held(min(high, max(low, to)))
    if to == at or (to > at) != (way > 0):
        return None
    return replace(placed, positions=({**own, knob: to},))
