"""The search from mix to verified suggestion: prepare, calibrate, batches of trials, whole-song verification."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from joblib import Parallel, delayed

from autochain.audio.mix import Mix
from autochain.config.model import Config, Coordinates
from autochain.earlier.around import Around
from autochain.measure.fingerprint import band_powers, fingerprint_of, fingerprint_text
from autochain.measure.inspection import inspect
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.prepare.readiness import judge
from autochain.prepare.references import Reference
from autochain.prepare.resonance_findings import resonance_findings
from autochain.prepare.resonances import find_resonances
from autochain.prepare.symmetry import Rotation
from autochain.progress import Progress
from autochain.search.baselines import LIMITER_LOCKED, LIMITER_ONLY, TRADE_DEFAULT, WITH_LOCKS
from autochain.search.evaluator import Evaluator
from autochain.search.faint import faint
from autochain.search.front import SIDES, neighbours, spread
from autochain.search.journal import Journal
from autochain.search.locked import level_locks, outside_note, price_note, since_note, unlocked
from autochain.search.missed import missed_note
from autochain.search.notes import mono_note, notes_for
from autochain.search.plain import plain_gain
from autochain.search.prepared import prepare
from autochain.search.request import RunOptions, SearchRequest, Stop, never
from autochain.search.result import SearchStats, Suggestion, Verified
from autochain.search.rotation import rotation_on
from autochain.search.sensitivity import Sensitivity, free_knobs, sensitivity
from autochain.search.space import on_edge, outline, switched
from autochain.search.staged import Staged
from autochain.search.trial import Trial
from autochain.search.trials import Trials
from autochain.search.verify import SUGGESTION, verify
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import Span, choose_spans, first_excerpt, whole_song
from autochain.solve.material import Material
from autochain.solve.solved import Guess


class Search:
    """One search over one mix; `run` gives the verified suggestion.

    Parameters
    ----------
    mix
        The mix.
    config
        Targets, plan, weights.
    decisions
        Locks and stages left out.
    jobs
        Trials evaluated in parallel; changes nothing but time.
    progress
        Called with a phase and its share done.
    journal
        Keeps the trials on disk, and gives those that an earlier run left.
    stop
        Asked before every batch of trials: True ends the search with the best so far.
    around
        An earlier sheet to stay near; None searches everywhere.
    references
        Songs whose balance the tone equaliser may move toward.
    """

    def __init__(
        self,
        mix: Mix,
        config: Config,
        decisions: Decisions,
        jobs: int,
        progress: Progress,
        journal: Journal | None = None,
        stop: Stop = never,
        around: Around | None = None,
        references: Sequence[Reference] = (),
    ) -> None:
        self.references = references
        self.mix, self.config = mix, config
        self.asked = decisions
        self.chain = config.chain_plan
        self.around = around
        self.decisions = decisions.within(self.chain)
        self.progress = progress
        self.journal, self.stop = journal, stop
        # Threads: the kernels release the interpreter lock, and threads share the mix and every cached
        # reference instead of copying them.
        self.parallel = Parallel(n_jobs=jobs, prefer="threads")

    def run(self) -> Suggestion:
        """Search and verify."""
        self.measure()
        simple = self.by_gain(self.config)
        if simple is not None:
            return simple
        self.ready()
        return self.reach(self.config)

    def measure(self) -> None:
        """Measure the mix, and decide what no target changes; what follows needs it."""
        mix = self.mix
        self.progress("measuring the mix", 0.0)
        seen = inspect(mix.samples, mix.rate_hz)
        before = seen.measured.figures
        if before.integrated_lufs is None or before.true_peak_dbtp is None:
            raise faint(mix)
        self.before = before
        self.course = fingerprint_text(fingerprint_of(band_powers(mix.samples, mix.rate_hz)))
        resonances = find_resonances(seen.resonance)
        standing_out = resonance_findings(resonances, self.config.prepare.rules)
        self.readiness = judge(seen, self.config.check, standing_out)
        settled = self.decisions
        if self.around is not None:
            # What is the same for every trial stays as the sheet has it.
            settled = self.around.settled(settled, (*self.chain.linear, "dynamic_bell", "output"))
        self.prepared = prepare(mix, before, self.config, settled, self.references, resonances, seen.resonance)
        self._settled = settled

    def by_gain(self, config: Config) -> Suggestion | None:
        """Result of a target that needs no search; None where one is needed."""
        ends = self.prepared.ends_only()
        simple = plain_gain(self.mix, config, ends.added_to(self.decisions), self.before, self.readiness)
        if simple is None:
            return None
        return replace(
            simple,
            decisions=self.decisions,
            notes=(*simple.notes, *ends.notes),
            around=self.around,
            references=tuple(self.references),
            course=self.course,
        )

    def ready(self) -> None:
        """Render the linear stages and choose the excerpts: once, for whatever targets are searched then."""
        mix, plan, before = self.mix, self.config.search, self.before
        assert before.integrated_lufs is not None
        assert before.true_peak_dbtp is not None
        self.decisions = self._settled
        if before.true_peak_dbtp > 0.0 and "clipper" not in self.decisions.locks:
            # Peaks over full scale may have been clipped once: never a second time.
            without = self.decisions.without | {"clipper"}
            self.decisions = Decisions(locks=self.decisions.locks, without=without)
        mix_hops = weighted_hops(mix.samples, mix.rate_hz)
        spans = choose_spans(mix_hops, before.integrated_lufs, plan.excerpts)
        rules = self.config.prepare.rotation_rules
        self.rotation = rotation_on(mix, before, mix_hops, self.config.target, plan.excerpts, rules)
        self._fix_linear(self.rotation)

        chain, settings = self.chain, self._linear_settings()
        start = chain.render(mix.samples, mix.rate_hz, settings, stages=chain.leading).samples
        later = [name for name in chain.linear if name not in chain.leading]
        linear = chain.render(start, mix.rate_hz, settings, stages=later).samples
        hops = mix_hops if linear is mix.samples else weighted_hops(linear, mix.rate_hz)
        level = integrated_lufs(hops)
        assert level is not None

        def evaluator(spans: Sequence[Span]) -> Evaluator:
            reference = None if linear is start else linear
            of_loudest_part = self.config.target.of_loudest_part
            material = Material(
                start, mix.rate_hz, hops, level, spans, reference, of_loudest_part=of_loudest_part
            )
            return Evaluator(material, self.config.weights, plan.drive, chain)

        self.song, self.spans = evaluator([whole_song(len(hops))]), spans
        place = first_excerpt(spans)
        first = None if place is None else evaluator([spans[place]])
        self.staged = Staged(evaluator(spans), first, place or 0, plan.ranges)

    def reach(self, config: Config, seeds: Sequence[Coordinates] = (), *, brief: bool = False) -> Suggestion:
        """Search the target of `config`, which may differ from the search's own in target and budget.

        With `seeds` it starts from these in place of baselines and explorer; `brief` leaves out neighbours and how far
        settings may move.
        """
        self.config = config
        self.trials = Trials(
            self.staged, self.song, config, self.effective, self.parallel, self.progress, self.journal, self.stop,
            self.around, seeds, unlocked(self.effective, self.asked.locks, self.chain),
        )
        return self._finish(self.trials.spend(), brief=brief)

    def _fix_linear(self, rotation: Rotation) -> None:
        prepared = self.prepared.added_to(self.decisions)
        locks = {name: dict(values) for name, values in prepared.locks.items()}
        if rotation.used and "rotation" not in locks and "rotation" not in self.decisions.without:
            locks["rotation"] = rotation.settings
        self._linear = {name: locks[name] for name in self.chain.linear if name in locks}
        self.effective = Decisions(locks=locks, without=self.decisions.without)

    def _linear_settings(self) -> dict[str, dict[str, float]]:
        first = outline(
            self.config.search.trade_default, self.effective, self.config.target.ceiling_dbtp, self.chain
        )
        return {name: first.settings[name] for name in self.chain.linear if name in first.settings}

    def _finish(self, best: Trial, *, brief: bool) -> Suggestion:
        """Verify the best trial and the baselines on the whole song, and choose among them."""
        trials, target, song = self.trials, self.config.target, self.song
        self.progress("verifying on the whole song", 0.0)
        song.material.warm()
        weights, within = self.config.weights, self.config.search.neighbours_within
        near = trials.neighbours(weights, within) if trials.complete and not brief else {}
        contenders = {name: (trial, trials.searched) for name, trial in {SUGGESTION: best, **near}.items()}
        contenders |= trials.rivals()
        # Backwards: the trade default takes longest.
        backwards: list[Verified] = list(
            self.parallel(
                delayed(verify)(
                    name, trial.settings, self.mix, song, target, decisions, Guess(loss_db=trial.loss_db)
                )
                for name, (trial, decisions) in reversed(contenders.items())
            )
        )
        verified = backwards[::-1]
        by_name = {v.name: v for v in verified}
        allowed = [v for v in verified if trials.honours_locks(v.settings)]
        best_found = min(allowed, key=lambda v: (v.miss_lu(target), v.score))
        chosen = best_found if self.around is not None else self._simple_enough(best_found, allowed)
        # Sides are told on the whole song, where another of them may be the best.
        others = [by_name[n] for n in (SUGGESTION, *SIDES) if n in by_name and by_name[n] is not chosen]
        beside = neighbours(chosen, [chosen, *(v for v in others if v.met)], weights, within)
        # Rendered once more: to keep a song beside what is verified after it would take more than that.
        samples = self.chain.render(self.mix.samples, self.mix.rate_hz, chosen.settings).samples
        trial, decisions = contenders[chosen.name]
        point = trial.coordinates
        if chosen.name in SIDES:
            chosen = replace(chosen, name=SUGGESTION)
        # The search may have come back to a baseline's very settings.
        shown = (LIMITER_ONLY, LIMITER_LOCKED, TRADE_DEFAULT)
        twins = [v.name for v in verified if v.settings == chosen.settings and v.name in shown]
        ranges = self.config.search.ranges
        stats = SearchStats(
            trials=len(trials.done),
            feasible=sum(t.solution.met and not t.pruned for t in trials.done),
            pruned=sum(t.pruned for t in trials.done),
            on_edge=on_edge(switched(point), ranges, self.effective.locks) if point is not None else (),
            mean_renders=float(np.mean([t.solution.renders for t in trials.done])),
            chosen_from=twins[0] if twins else chosen.name,
            complete=trials.complete,
            coordinates=None if point is None else switched(point),
            spread=spread([t for t in trials.done if t.solution.met and not t.pruned]),
            forgone=None if chosen.score <= best_found.score else best_found,
        )
        baselines = {name: by_name[name] for name in shown if name in by_name}
        locks = level_locks(self.asked.locks, self.chain)
        return Suggestion(
            mix=self.mix,
            config=self.config,
            decisions=self.asked,
            before=self.before,
            readiness=self.readiness,
            chosen=chosen,
            samples=samples,
            baselines=baselines,
            neighbours={side: replace(v, name=side) for side, v in beside.items()},
            rotation_saving_db=self.rotation.saving_db,
            spans=self.spans,
            stats=stats,
            around=self.around,
            references=tuple(self.references),
            course=self.course,
            sensitivity=() if brief else self._sensitivity(chosen, trial, decisions),
            notes=(
                *(() if chosen.met else (missed_note(self.config, chosen, verified, self.asked.locks, stats),)),
                *price_note(chosen, verified, locks, self.config.search.chain_earns),
                *since_note(chosen, self.around, self.config, self.mix.sha256),
                *outside_note(self.asked.locks, self.config),
                *notes_for(self.config, self.before, chosen, baselines, self.rotation, stats, self.effective),
                *self.prepared.notes,
                *mono_note(self.mix.channels, chosen.settings),
            ),
        )

    def _simple_enough(self, best: Verified, allowed: Sequence[Verified]) -> Verified:
        """The best, or a limiter alone or clipper with limiter over which it gains too little for its stages."""
        if not best.met:
            return best
        most = best.score + self.config.search.chain_earns
        simple = [
            v
            for v in allowed
            if v.name in {*WITH_LOCKS, *WITH_LOCKS.values()}
            and v.met
            and v.score <= most
            and len(v.settings) < len(best.settings)
        ]
        return min([*simple, best], key=lambda v: (len(v.settings), v.score))

    def _sensitivity(self, chosen: Verified, trial: Trial, decisions: Decisions) -> tuple[Sensitivity, ...]:
        """Which settings matter most, and how far they may move; nothing of a search that was stopped or fell short."""
        trials, plan = self.trials, self.config.search
        if not trials.complete or not chosen.met:
            return ()
        self.progress("trying how far settings may move", 0.0)
        guess = Guess(loss_db=trial.loss_db, slope=trial.solution.slope)
        return sensitivity(
            lambda settings: trials.judge(settings, decisions, guess).score,
            chosen.settings,
            free_knobs(chosen.settings, decisions.locks, plan.ranges, self.chain),
            plan.sensitivity_score,
            plan.sensitivity_trials,
            self.parallel,
        )


def suggest(request: SearchRequest, run: RunOptions | None = None) -> Suggestion:
    """Find, verify and describe starting settings for one mix."""
    options = RunOptions() if run is None else run
    return Search(
        request.mix, request.config, request.decisions, options.jobs, options.progress, options.journal, options.stop,
        request.near, request.references,
    ).run()
