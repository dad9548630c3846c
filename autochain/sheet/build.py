"""From a search result to the sheet's facts, at the precision that is printed or one digit finer."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from autochain.chain.chain import STAGES
from autochain.chain.settings import CLIPPER, DRIVE, OUTPUT, ChainSettings, StageSettings
from autochain.measure.measurement import Measurement
from autochain.prepare.finding import Finding
from autochain.prepare.limits import Limits
from autochain.prepare.readiness import Readiness
from autochain.search.costs import terms
from autochain.search.facts import StageFacts
from autochain.search.front import SIDES
from autochain.search.other_hands import missed
from autochain.search.request import config_sha256, flat_locks, versions
from autochain.search.result import OnSheet, Suggestion, Verified
from autochain.search.sensitivity import Sensitivity
from autochain.sheet.model import (
    Alternative,
    AroundFacts,
    AtFullScale,
    Baseline,
    CostFigures,
    Costs,
    Excerpt,
    Figures,
    FindingEntry,
    InputLevel,
    LossOnTools,
    MixFacts,
    Move,
    NoteEntry,
    OnToolsFacts,
    Provenance,
    ReadinessFacts,
    Reduction,
    Request,
    SearchFacts,
    SensitivityEntry,
    Sheet,
    Spread,
    StageEntry,
    StageOnTool,
    TargetFacts,
)
from autochain.sheet.words import WHILE_MOVING
from autochain.units import number

if TYPE_CHECKING:
    from autochain.search.on_tools import OnTools

_DECIMALS = 3
# A stage that never does more is not worth a place to listen at: well under the decibel or so by which a level has to
# change to be noticed. A limit of this project.
_HARDLY_WORKS_DB = 0.3
_FADE_S = 2.1  # the longest fade: as much of a silence may stay


def _fine(value: float) -> float:
    return round(float(value), _DECIMALS) + 0.0  # + 0.0 turns -0.0 into 0.0


def _figures(measurement: Measurement) -> Figures:
    rounded: dict[str, Any] = {k: _fine(v) if isinstance(v, float) else v for k, v in measurement.as_dict().items()}
    return Figures(**rounded)


def _costs(verified: Verified) -> dict[str, float]:
    return {**{k: _fine(v) for k, v in verified.costs.as_dict().items()}, "score": _fine(verified.score)}


def _stages(chain: Sequence[StageFacts]) -> tuple[StageEntry, ...]:
    return tuple(_stage(facts, before) for before, facts in zip((None, *chain), chain, strict=False))


def _at_full_scale(facts: StageFacts, before: StageFacts | None) -> AtFullScale | None:
    """Gains around a clipper that let its ceiling stand at 0 dBFS: its curve scales with its ceiling."""
    over_db = facts.settings["ceiling_dbfs"] if facts.stage == CLIPPER else 0.0
    if over_db <= 0.0:
        return None
    drive = before.settings["gain_db"] if before is not None and before.stage == DRIVE else None
    return AtFullScale(
        input_gain_db=-over_db,
        ceiling_dbfs=0.0,
        output_gain_db=over_db,
        drive_gain_db=None if drive is None else round(drive - over_db, 6),
    )


def _stage(facts: StageFacts, before: StageFacts | None) -> StageEntry:
    stage = STAGES[facts.stage]
    reduction = None
    if facts.reduction_max_db is not None and facts.reduction_typical_db is not None and facts.max_at_s is not None:
        reduction = Reduction(
            max=_fine(facts.reduction_max_db),
            typical=_fine(facts.reduction_typical_db),
            max_at_s=_fine(facts.max_at_s),
        )
    return StageEntry(
        stage=facts.stage,
        settings=facts.settings.plain(),
        input=InputLevel(
            peak_dbfs=_fine(facts.input_peak_dbfs), short_term_lufs=_fine(facts.input_short_term_lufs)
        ),
        reduction_db=reduction,
        trim_db=_fine(facts.trim_db),
        listen_for=() if reduction is not None and abs(reduction.max) < _HARDLY_WORKS_DB else stage.listen_for,
        cues_s=tuple(_fine(t) for t in facts.cues_s),
        at_full_scale=_at_full_scale(facts, before),
    )


def _alternative(name: str, found: OnSheet, chosen: Verified) -> Alternative:
    own, theirs = found.costs.as_dict(), chosen.costs.as_dict()
    return Alternative.model_validate(
        {
            "name": name,
            "stages": _stages(found.stages),
            "after": _figures(found.after),
            "costs": CostFigures(**_costs(found)),
            "met": found.met,
            "differs": {cost: _fine(own[cost] - theirs[cost]) for cost in own},
            "early_work_db": _fine(found.early_work_db - chosen.early_work_db),
        }
    )


def _settings(chain: Sequence[StageFacts]) -> ChainSettings:
    return ChainSettings({facts.stage: facts.settings for facts in chain})


def _around(suggestion: Suggestion) -> AroundFacts | None:
    around = suggestion.around
    if around is None:
        return None
    return AroundFacts(
        sheet=around.sheet.file,
        sha256=around.sheet.sha256,
        same_mix=around.sheet.mix_sha256 == suggestion.mix.sha256,
        target=TargetFacts.model_validate(around.sheet.target.model_dump()),
        decided=around.decided.flat(),
    )


def _moved(suggestion: Suggestion) -> tuple[Move, ...]:
    if suggestion.around is None:
        return ()
    moved = suggestion.around.moved(_settings(suggestion.chosen.stages))
    return tuple(Move(stage=m.stage, parameter=m.parameter, was=m.was, now=m.now) for m in moved)


def _sensitivity(found: Sensitivity) -> SensitivityEntry:
    return SensitivityEntry(
        stage=found.stage,
        parameter=found.parameter,
        value=found.value + 0.0,
        step_to=found.step_to + 0.0,
        score_change=_fine(found.score_change),
        low=None if found.low is None else found.low + 0.0,
        high=None if found.high is None else found.high + 0.0,
        listen_for=WHILE_MOVING[found.stage, found.parameter],
    )


def _readiness(found: Readiness, limits: Limits, output: StageSettings) -> ReadinessFacts:
    return ReadinessFacts(
        verdict=found.verdict,
        findings=tuple(
            FindingEntry(
                **{
                    **asdict(one),
                    "suggestion": _cut(one, output) or one.suggestion,
                    "value": None if one.value is None else _fine(one.value),
                    "times_s": tuple(_fine(at) for at in one.times_s),
                    "freq_hz": None if one.freq_hz is None else _fine(one.freq_hz),
                }
            )
            for one in found.findings
        ),
        limits=limits.model_dump(),
    )


def _cut(finding: Finding, output: StageSettings) -> str | None:
    """What the output does about silence; None for other findings, and where it leaves the silence to the engineer."""
    if finding.code != "silence" or finding.unit != "s" or finding.value is None:
        return None
    which = "tail" if any(finding.times_s) else "head"
    cut_s = output.get(f"{which}_cut_ms", 0.0) / 1000.0
    if cut_s > 0.0 and cut_s >= finding.value - _FADE_S:
        return f"{number(cut_s, 's')} are cut off here; see the output stage."
    quiet = "tail" if which == "tail" else "intro"
    return f"Not all of it is cut off here, as it may be a quiet {quiet}. If not, lock output.{which}_cut_ms higher."


def _on_tools(found: "OnTools") -> OnToolsFacts:
    stages = []
    for one in found.stages:
        by_role = () if one.placed is None else one.placed.positions
        around_db = 0.0 if one.placed is None else one.placed.around_db
        stages.append(
            StageOnTool(
                stage=one.stage,
                tool=one.tool.name,
                knobs=tuple({one.tool.knobs[role].word: at for role, at in own.items()} for own in by_role),
                noted=dict(one.tool.noted),
                reduction_typical_db=None if one.reduction_typical_db is None else _fine(one.reduction_typical_db),
                reduction_max_db=None if one.reduction_max_db is None else _fine(one.reduction_max_db),
                off_db=_fine(one.off_db),
                input_gain_db=_fine(-around_db) + 0.0,
                output_gain_db=_fine(around_db),
                why_not=one.why_not,
            )
        )
    return OnToolsFacts(
        stages=tuple(stages),
        drive_db=found.drive_db,
        trim_db=found.trim_db,
        lufs=None if found.lufs is None else _fine(found.lufs),
        true_peak_dbtp=None if found.true_peak_dbtp is None else _fine(found.true_peak_dbtp),
        loss=None
        if found.loss is None
        else LossOnTools(score=_fine(found.loss.score), cost=found.loss.cost or None, stage=found.loss.stage),
        tools=tuple({one.tool.name: one.tool.as_file() for one in found.stages}.values()),
    )


def build_sheet(suggestion: Suggestion, on_tools: "OnTools | None" = None) -> Sheet:
    """Build the sheet of a suggestion; `on_tools` is the same on the user's own tools."""
    mix, config, chosen = suggestion.mix, suggestion.config, suggestion.chosen
    point = suggestion.stats.coordinates
    return Sheet(
        format_version=1,
        mix=MixFacts(
            file=mix.file,
            sha256=mix.sha256,
            rate_hz=mix.rate_hz,
            channels=mix.channels,
            duration_s=_fine(mix.duration_s),
            subtype=mix.subtype,
            course=suggestion.fingerprint,
        ),
        target=TargetFacts.model_validate(config.target.model_dump()),
        met=chosen.met,
        readiness=_readiness(suggestion.readiness, config.check, chosen.settings.of(OUTPUT)),
        before=_figures(suggestion.before),
        after=_figures(chosen.after),
        stages=_stages(chosen.stages),
        costs=Costs(**_costs(chosen), rotation_saving_db=_fine(suggestion.rotation_saving_db)),
        weights=config.weights.model_dump(),
        contributions={k: _fine(v) for k, v in terms(chosen.costs, config.weights).items()},
        baselines={
            name: Baseline(
                **_costs(v),
                integrated_lufs=None if v.after.integrated_lufs is None else _fine(v.after.integrated_lufs),
                max_short_term_lufs=None
                if v.after.max_short_term_lufs is None
                else _fine(v.after.max_short_term_lufs),
                met=v.met,
                settings=v.settings.plain(),
            )
            for name, v in suggestion.baselines.items()
        },
        alternatives=tuple(
            _alternative(side, suggestion.neighbours[side], chosen) for side in SIDES if side in suggestion.neighbours
        ),
        sensitivity=tuple(_sensitivity(found) for found in suggestion.sensitivity),
        other_hands={k: None if missed(v) else _fine(v) for k, v in suggestion.other_hands.items()},
        notes=tuple(NoteEntry(**asdict(note)) for note in suggestion.notes),
        search=SearchFacts(
            trials=suggestion.stats.trials,
            complete=suggestion.stats.complete,
            trials_on_target=suggestion.stats.feasible,
            chosen_from=suggestion.stats.chosen_from,
            on_range_edge=suggestion.stats.on_edge,
            coordinates={} if point is None else {name: round(v, 6) for name, v in point.model_dump().items()},
            found=_settings(chosen.stages).flat(),
            excerpts=tuple(
                Excerpt(start_s=_fine(s.start_hop / 100), stop_s=_fine(s.stop_hop / 100), reason=s.reason)
                for s in suggestion.spans
            ),
            neighbours_within=config.search.neighbours_within,
            sensitivity_score=config.search.sensitivity_score,
            spread={
                k: Spread(low=_fine(low), high=_fine(high)) for k, (low, high) in suggestion.stats.spread.items()
            },
        ),
        around=_around(suggestion),
        moved=_moved(suggestion),
        on_tools=None if on_tools is None else _on_tools(on_tools),
        provenance=Provenance(
            request=Request(
                **config.target.model_dump(),
                locks=flat_locks(suggestion.decisions),
                without=tuple(sorted(suggestion.decisions.without)),
                references=dict(sorted((one.file, one.sha256) for one in suggestion.references)),
                config_sha256=config_sha256(config),
                choices_sha256=None if config.learned is None else config.learned.sha256,
                seed=config.search.seed,
                budget=config.search.budget,
                batch=config.search.batch,
            ),
            versions=versions(),
        ),
    )
