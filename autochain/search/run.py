"""The search from mix to verified suggestion, each step an object that has what the next one needs.

A mix is measured and prepared once (`MeasuredMix`), its linear stages rendered and its excerpts chosen once
(`ReadySearch`), and then any number of targets are reached from there (`Reached`).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from autochain.audio.mix import Mix, Samples
from autochain.chain.settings import CLIPPER, DYNAMIC_BELL, OUTPUT, ROTATION
from autochain.config.model import Config, Coordinates, Target
from autochain.measure.loudness import Series, integrated_lufs, weighted_hops
from autochain.measure.measurement import Measurement
from autochain.memory import give_back
from autochain.note import Note
from autochain.prepare.readiness import Readiness, judge
from autochain.prepare.resonance_findings import resonance_findings
from autochain.prepare.symmetry import Rotation
from autochain.progress import Progress
from autochain.search.binding import Binding, level_locks
from autochain.search.choice import Choice, choose, contenders_of
from autochain.search.evaluator import Evaluator, Trial
from autochain.search.gain_only import gain_only
from autochain.search.locked import lock_cost_note, outside_note, since_note
from autochain.search.missed import missed_note
from autochain.search.notes import mono_note, notes_for
from autochain.search.prepared import Prepared, prepare
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.result import OnSheet, Suggestion, Verified
from autochain.search.rotation import rotation_on
from autochain.search.seen import SeenMix
from autochain.search.sensitivity import Sensitivity, free_knobs, sensitivity
from autochain.search.space import outline_at
from autochain.search.spent import Spent
from autochain.search.trials import Trials
from autochain.search.verify import Contender, chain_of, dithered_under_ceiling, finish, verify
from autochain.solve.decisions import Decisions
from autochain.solve.excerpts import Span, choose_spans, whole_song
from autochain.solve.material import Material
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredMix:
    """A mix measured and prepared: what no target changes.

    Attributes
    ----------
    request, run
        What is asked, and how it is run; the target may be replaced by another later.
    seen
        The mix as it was looked at: another search of the same mix may begin from there.
    readiness
        Verdict of the check.
    decisions
        The engineer's, beside what the configuration has set.
    settled
        The same with what an earlier sheet keeps for every trial.
    prepared
        What is suggested before any search.
    """

    request: SearchRequest
    run: RunOptions
    seen: SeenMix
    readiness: Readiness
    decisions: Decisions
    settled: Decisions
    prepared: Prepared

    @classmethod
    def of(cls, request: SearchRequest, run: RunOptions) -> "MeasuredMix":
        """Measure the mix; AudioFileError where it has no loudness."""
        mix, config, near, seen = request.mix, request.config, request.near, run.seen
        chain = config.chain_plan
        if seen is None or seen.sha256 != mix.sha256:
            run.progress("measuring the mix", 0.0)
            seen = SeenMix.of(mix)
        found = seen.inspection
        before = found.measured.figures
        decisions = request.decisions.within(chain)
        # What is the same for every trial stays as an earlier sheet has it.
        common = (*chain.linear, DYNAMIC_BELL, OUTPUT)
        settled = decisions if near is None else near.settled(decisions, common)
        return cls(
            request=request,
            run=run,
            seen=seen,
            readiness=judge(found, config.check, resonance_findings(seen.resonances, config.prepare.rules)),
            decisions=decisions,
            settled=settled,
            prepared=prepare(
                mix, before, config, settled, request.references, seen.resonances, found.resonance
            ),
        )

    @property
    def before(self) -> Measurement:
        """Measurement of the mix."""
        return self.seen.inspection.measured.figures

    @property
    def hops(self) -> Series:
        """K-weighted power of the mix per 10 ms hop."""
        return self.seen.inspection.measured.hops

    def by_gain(self, target: Target) -> Suggestion | None:
        """Result of a target that needs no search; None where one is needed."""
        request, ends = self.request, self.prepared.ends_only()
        config, decisions = request.config.model_copy(update={"target": target}), ends.added_to(self.decisions)
        simple = gain_only(request.mix, config, decisions, self.before, self.readiness, self.hops, ends.ends)
        if simple is None:
            return None
        return replace(
            simple,
            decisions=self.decisions,
            notes=(*simple.notes, *ends.notes),
            around=request.near,
            references=tuple(request.references),
            fingerprint=self.seen.fingerprint,
        )

    def ready(self) -> "ReadySearch":
        """Render the linear stages and choose the excerpts: once, for whatever targets are searched then."""
        give_back()
        mix, config = self.request.mix, self.request.config
        chain, plan = config.chain_plan, config.search
        decisions = self.settled
        if self.seen.peak_dbtp > 0.0 and CLIPPER not in decisions.locks:
            # Peaks over full scale may have been clipped once: never a second time.
            decisions = Decisions(locks=decisions.locks, without=decisions.without | {CLIPPER})
        spans = choose_spans(self.hops, self.seen.lufs, plan.excerpts)
        rules = config.prepare.rotation_rules
        rotation = rotation_on(mix, self.before, self.hops, config.target, plan.excerpts, rules)
        decided = _with_rotation(self.prepared.added_to(decisions), rotation)

        first = outline_at(plan.trade_default, decided, config.target.ceiling_dbtp, chain)
        settings = first.settings.only(chain.linear)
        start = chain.render(mix.samples, mix.rate_hz, settings, stages=chain.leading).samples
        later = [name for name in chain.linear if name not in chain.leading]
        linear = chain.render(start, mix.rate_hz, settings, stages=later).samples
        hops = self.hops if linear is mix.samples else weighted_hops(linear, mix.rate_hz)
        level = integrated_lufs(hops)
        assert level is not None

        def evaluator(spans: Sequence[Span]) -> Evaluator:
            reference = None if linear is start else linear
            of_loudest_part = config.target.of_loudest_part
            material = Material(
                start, mix.rate_hz, hops, level, spans, reference, of_loudest_part=of_loudest_part
            )
            return Evaluator(material, config.weights, plan.drive, chain)

        return ReadySearch(
            measured=self,
            binding=Binding.of(decided, self.request.decisions.locks, self.request.near, chain),
            rotation=rotation,
            spans=spans,
            song=evaluator([whole_song(len(hops))]),
            excerpts=evaluator(spans),
        )


def _with_rotation(decisions: Decisions, rotation: Rotation) -> Decisions:
    if not rotation.used or ROTATION in decisions.locks or ROTATION in decisions.without:
        return decisions
    return Decisions(locks=decisions.locks.with_(ROTATION, rotation.settings), without=decisions.without)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadySearch:
    """A mix behind its linear stages, ready for any target.

    Attributes
    ----------
    measured
        The mix, measured.
    binding
        What binds the search's trials and the baselines.
    rotation
        The rotation, used or not.
    spans
        The excerpts.
    song, excerpts
        Evaluators over the whole song and over the excerpts.
    """

    measured: MeasuredMix
    binding: Binding
    rotation: Rotation
    spans: tuple[Span, ...]
    song: Evaluator
    excerpts: Evaluator

    @property
    def mix(self) -> Mix:
        """The mix."""
        return self.measured.request.mix

    def run_with(self, *, jobs: int, progress: Progress) -> "ReadySearch":
        """The same, run with another number of trials at a time, and told of elsewhere."""
        run = replace(self.measured.run, jobs=jobs, progress=progress)
        return replace(self, measured=replace(self.measured, run=run))

    def verified(self, contenders: Sequence[Contender], *, carefully: bool = False) -> list[Verified]:
        """Verify chains on the whole song, whatever their targets; in the order given."""
        give_back()
        self.song.warm()
        # The search may have come back to a baseline: twins are solved and measured once.
        chains = [(chain_of(c, self.song.chain), c.target) for c in contenders]
        first = [chains.index(chain) for chain in chains]
        own = [place for place, twin in enumerate(first) if place == twin]
        verified = self.measured.run.in_parallel(
            partial(verify, contenders[place], self.song, carefully=carefully) for place in own
        )
        by_place = dict(zip(own, verified, strict=True))
        return [replace(by_place[twin], name=c.name) for c, twin in zip(contenders, first, strict=True)]

    def finished(self, verified: Verified, target: Target, *, keep: bool = False) -> tuple[OnSheet, Samples]:
        """Render what stands on the sheet and measure it; with `keep` the samples are given too."""
        return finish(verified, target, self.mix, self.song, self.measured.prepared.ends, keep=keep)

    def reach(
        self, target: Target, *, budget: int | None = None, after: Sequence["Reached"] = (), brief: bool = False
    ) -> "Reached":
        """Search a target, and verify what was found.

        Parameters
        ----------
        target
            May be another than the request's, of the same kind of loudness.
        budget
            Trials; those of the configuration when None.
        after
            Targets reached before, the nearest first: their points are tried in place of baselines, and what their
            trials taught is taken over.
        brief
            Leaves out neighbours, how far settings may move, and the song rendered.
        """
        config = self.measured.request.config
        plan = config.search if budget is None else config.search.model_copy(update={"budget": budget})
        config = config.model_copy(update={"target": target, "search": plan})
        run = self.measured.run
        seeds = tuple(dict.fromkeys(one.point for one in after if one.point is not None))
        before = after[0].spent if after else None
        warm = run.beside(self.song.warm)  # calibrating and the model leave a core idle now and then
        trials = Trials(self.excerpts, self.song, config, self.binding, run, seeds, before)
        spent = trials.spend(sides=not brief)
        warm()
        on_tools = self._on_tools(config)
        run.progress("verifying on the whole song", 0.0)
        contenders = run.in_parallel(
            partial(self._contender, name, trial, decisions, target, spent)
            for name, (trial, decisions) in contenders_of(
                spent, config, own_clipper=on_tools is not None
            ).items()
        )
        for carefully in (False, True):
            # Backwards: the trade default takes longest.
            verified = self.verified(contenders[::-1], carefully=carefully)[::-1]
            choice = choose(spent, verified, config, on_tools)
            suggestion = self._suggestion(config, spent, verified, choice, brief=brief)
            shown = (suggestion.chosen, *suggestion.neighbours.values())
            if all(dithered_under_ceiling(one.after, target) for one in shown):
                break
        return Reached(suggestion=suggestion, spent=spent)

    def _on_tools(self, config: Config) -> Callable[[Verified], float] | None:
        """What gives the score of a chain on the user's tools, where these may want a clipper ahead of the limiter."""
        request = self.measured.request
        kinds = {tool.kind for tool in request.tools if tool.trusted}
        if not {"clipper", "limiter"} <= kinds or self.binding.near is not None:
            return None
        from autochain.search.on_tools import set_on  # models of tools are loaded where there is a tool

        def price(one: Verified) -> float:
            self.measured.run.progress("setting your own tools", 0.0)
            aim_lufs, locks = config.target.heard_lufs(one.after), request.decisions.locks
            found = set_on(request.mix, config, one.settings, aim_lufs, request.tools, config.chain_plan, locks)
            return one.score + (0.0 if found is None or found.loss is None else found.loss.score)

        return price

    def _contender(self, name: str, trial: Trial, decisions: Decisions, target: Target, spent: Spent) -> Contender:
        found, plan = trial.solution, only_drive_left(self.song.chain.rounded(trial.settings), decisions)
        guess = Guess(slope=found.slope, drive_db=found.drive_db)
        if found.met and plan.drive_db is None:
            over_lu = self.excerpts.over_told_lu(trial.settings, found.reached_lufs) + spent.aim.over_told_lu
            guess = Guess(slope=found.slope, loss_db=trial.loss_db, over_told_lu=over_lu)
        elif spent.best.solution.met:  # where nothing reaches the target, what comes nearest is for the song to tell
            guess = self.excerpts.end_of_reach(plan, spent.aim.lufs, found)
        return Contender(
            name=name,
            settings=trial.settings,
            target=target,
            decisions=decisions,
            guess=guess,
        )

    def _suggestion(
        self, config: Config, spent: Spent, verified: Sequence[Verified], choice: Choice, *, brief: bool
    ) -> Suggestion:
        request, measured, run, target = self.measured.request, self.measured, self.measured.run, config.target
        matters = run.beside(partial(self._sensitivity, config, spent, choice, brief=brief))
        sides = choice.neighbours.values()
        (chosen, samples), *beside = run.in_parallel(
            [
                partial(self.finished, choice.chosen, target, keep=not brief),
                *(partial(self.finished, side, target) for side in sides),
            ]
        )
        return Suggestion(
            mix=request.mix,
            config=config,
            decisions=request.decisions,
            before=measured.before,
            readiness=measured.readiness,
            chosen=chosen,
            samples=samples,
            baselines=choice.baselines,
            neighbours={finished.name: finished for finished, _ in beside},
            rotation_saving_db=self.rotation.saving_db,
            spans=self.spans,
            stats=choice.stats,
            around=request.near,
            references=tuple(request.references),
            fingerprint=measured.seen.fingerprint,
            sensitivity=matters(),
            other_hands={} if brief else self._other_hands(config, spent, choice),
            notes=self._notes(config, verified, chosen, choice),
        )

    def _notes(
        self, config: Config, verified: Sequence[Verified], chosen: OnSheet, choice: Choice
    ) -> tuple[Note, ...]:
        request, measured, stats = self.measured.request, self.measured, choice.stats
        asked = request.decisions.locks
        locks = level_locks(asked, config.chain_plan)
        return (
            *(() if chosen.met else (missed_note(config, chosen, verified, asked, stats),)),
            *lock_cost_note(chosen, verified, locks, config.search.chain_earns),
            *since_note(chosen, request.near, config, request.mix.sha256),
            *outside_note(asked, config),
            *notes_for(
                config, measured.before, chosen, choice.baselines, self.rotation, stats, self.binding.decided
            ),
            *measured.prepared.notes,
            *mono_note(request.mix.channels, chosen.settings),
        )

    def _other_hands(self, config: Config, spent: Spent, choice: Choice) -> Mapping[str, float]:
        """How much more the chosen chain costs on other tools; nothing of a search that was stopped or fell short."""
        if not spent.complete or not choice.chosen.met or config.search.equal_chains == 0:
            return {}
        return spent.other_hands.changes([choice.trial], choice.decisions)[0]

    def _sensitivity(
        self, config: Config, spent: Spent, choice: Choice, *, brief: bool
    ) -> tuple[Sensitivity, ...]:
        """Which settings matter most, and how far they may move; nothing of a search that was stopped or fell short."""
        chosen, trial, plan = choice.chosen, choice.trial, config.search
        if brief or not spent.complete or not chosen.met:
            return ()
        self.measured.run.progress("trying how far settings may move", 0.0)
        return sensitivity(
            spent.judging(chosen.settings, choice.decisions, trial.solution),
            chosen.settings,
            free_knobs(chosen.settings, choice.decisions.locks, plan.ranges, config.chain_plan),
            plan.sensitivity_score,
            plan.sensitivity_trials,
            self.measured.run.in_parallel,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reached:
    """A target reached, or missed by as little as was found.

    Attributes
    ----------
    suggestion
        The result.
    spent
        The trials behind it.
    """

    suggestion: Suggestion
    spent: Spent

    @property
    def point(self) -> Coordinates | None:
        """Where another target may start from: the best trial's point where a simpler chain was suggested for it."""
        stats = self.suggestion.stats
        return stats.coordinates if stats.forgone is None else self.spent.best.coordinates

    def baseline_points(self) -> Mapping[str, Coordinates]:
        """The best point of each baseline, by name."""
        best = {name: trial.coordinates for name, trial in self.spent.best_of_families().items()}
        return {name: point for name, point in best.items() if point is not None}

    def baseline(self, name: str, point: Coordinates) -> Trial:
        """A baseline's point on the excerpts, at the loudness at which the song is at this target."""
        return self.spent.baseline(name, point)


def suggest(request: SearchRequest, run: RunOptions | None = None) -> Suggestion:
    """Find, verify and describe starting settings for one mix."""
    measured, target = MeasuredMix.of(request, RunOptions() if run is None else run), request.config.target
    simple = measured.by_gain(target)
    return measured.ready().reach(target).suggestion if simple is None else simple
