"""The trials of one search: baselines, exploration, descent, and leaving out what hardly matters."""

from collections.abc import Mapping, Sequence

from joblib import Parallel

from autochain.config.model import Config, Coordinates, Weights
from autochain.earlier.around import Around
from autochain.errors import StoppedError
from autochain.progress import Progress
from autochain.search.baselines import (
    CLIP_AND_LIMIT,
    CLIP_LOCKED,
    NAMES,
    TRADE_DEFAULT,
    WITH_LOCKS,
    baseline_points,
)
from autochain.search.batches import Batches
from autochain.search.evaluator import Evaluator
from autochain.search.front import REAL_CHOICE_DB, by_side, neighbours, non_dominated, objectives
from autochain.search.journal import Journal
from autochain.search.optimiser import Optimiser, Outcome
from autochain.search.request import Stop, never
from autochain.search.samplers import make_sampler
from autochain.search.space import outline, ranges_near, removable
from autochain.search.staged import Aims, Known, Staged
from autochain.search.trial import Trial
from autochain.search.with_descent import DescentOptimiser
from autochain.solve.decisions import Decisions
from autochain.solve.outline import fixed
from autochain.solve.solved import Guess

# Headroom left from the start between the limiter's own ceiling and the one promised: a moving gain makes new
# peaks between samples, and three meters differ by tenths of a dB.
_HEADROOM_DB = 0.1
# A neighbour has to differ by a little more on the excerpts, so that it still does on the whole song.
_MARGIN_DB = 0.1
_CLOSELY_LU = 0.004
# The whole song is rendered no nearer to its target than this to calibrate: what is missing is added to what the
# excerpts have at that drive, and song and excerpts rise alike within a tenth.
_ROUGHLY_LU = 0.1


def outcome_of(trial: Trial, weights: Weights) -> Outcome:
    """What a sampler is told of a trial."""
    return Outcome(
        score=trial.score, objectives=objectives(trial.costs, weights), met=trial.solution.met, pruned=trial.pruned
    )


class Trials:
    """Spends the budget; every score is taken where the whole song would meet the target.

    Parameters
    ----------
    staged, song
        Evaluators over the excerpts and over the whole song.
    config
        Targets, plan, weights.
    decisions
        Locks and stages left out, the rotation included.
    parallel
        Runs the trials of one batch; what they see depends on earlier batches alone.
    progress
        Called with a phase and its share done.
    journal
        Keeps the trials on disk.
    stop
        Asked before every batch: True ends the search with the best so far.
    around
        The earlier sheet to stay near; None explores the whole space.
    seeds
        Points known to be good near this target: tried first, in place of baselines and explorer.
    unlocked
        `decisions` without the engineer's locks: what binds the simple baselines; the same when None.
    """

    def __init__(
        self,
        staged: Staged,
        song: Evaluator,
        config: Config,
        decisions: Decisions,
        parallel: Parallel,
        progress: Progress,
        journal: Journal | None = None,
        stop: Stop = never,
        around: Around | None = None,
        seeds: Sequence[Coordinates] = (),
        unlocked: Decisions | None = None,
    ) -> None:
        self._seeds = seeds
        self._unlocked = decisions if unlocked is None else unlocked
        self._staged = staged
        self._excerpts = staged.excerpts
        tolerance_lu = min(_CLOSELY_LU, config.search.drive.tolerance_lu)
        closely = config.search.drive.model_copy(update={"tolerance_lu": tolerance_lu})
        self._closely = Evaluator(self._excerpts.material, config.weights, closely, self._excerpts.chain)
        self._song = song
        tolerance_lu = max(_ROUGHLY_LU, config.search.drive.tolerance_lu)
        roughly = config.search.drive.model_copy(update={"tolerance_lu": tolerance_lu})
        self._roughly = Evaluator(song.material, config.weights, roughly, song.chain)
        self._plan = config.search
        self._weights = config.weights
        self._target_lufs = config.target.loudness_lufs
        self._limiter_ceiling = config.target.ceiling_dbtp - _HEADROOM_DB
        self._decisions = decisions
        self._around = around
        self.searched = decisions if around is None else around.settled(decisions, song.chain.stages)
        self._batches = Batches(staged, self._limiter_ceiling, parallel, journal)
        self._progress = progress
        self._stop = stop
        self.complete = True
        self.aims = Aims(excerpts_lufs=self._target_lufs, first_lufs=None)
        self._fair = 0  # scores of earlier trials were taken at another loudness of the excerpts
        self.done: list[Trial] = []
        self.families: list[tuple[str, Trial]] = []

    def spend(self) -> Trial:
        """Spend the budget and return the best trial, with the stages left out that hardly matter."""
        plan, around = self._plan, self._around
        start = self._seeds[0] if self._seeds else plan.trade_default if around is None else around.start
        self._progress("calibrating the excerpts", 0.0)
        self._staged.warm()
        first = self._excerpts.solve(
            outline(start, self.searched, self._limiter_ceiling, self._song.chain),
            self._target_lufs,
            Guess(),
        )
        aims = self._calibrate(first.settings, first.loss_db)
        if self._seeds:
            seeded = self._batch([("", point) for point in self._seeds], aims, 0, keep=True)
            best, fair = min(seeded, key=lambda t: t.score), 0
        elif around is None:
            self._spend_on_baselines(aims)
            best, aims, fair = self._explored(aims)
        else:
            # The sheet's own point comes first, so that the smallest budget holds it.
            (best,), fair = self._batch([("", start)], aims, 0, keep=True), 0
            self._spend_on_baselines(aims)
        if best.coordinates is not None:
            ranges = plan.ranges if around is None else ranges_near(around.start, plan.ranges, plan.around_share)
            descent = DescentOptimiser(ranges, plan.seed, self.searched)
            descent.known(best.coordinates, outcome_of(best, self._weights))
            self._ask(descent, plan.budget, aims, fair)
        best = self._best(fair)
        self._fair, self.aims = fair, aims
        self.best = best if self._stopped() else self._simpler(best, aims, fair)
        if not self._stopped():
            self._without_locks(aims, fair)
        return self.best

    def rivals(self) -> dict[str, tuple[Trial, Decisions]]:
        """The best trial of every baseline's family, and what binds it."""
        best: dict[str, Trial] = {}
        for name, trial in self.families:
            if name not in best or trial.score < best[name].score:
                best[name] = trial
        order = sorted(best, key=list(NAMES).index)
        return {name: (best[name], self.decisions_for(name)) for name in order}

    def beside(self, family: str, point: Coordinates) -> Trial:
        """A baseline's point on the excerpts at the loudness of the last trials, solved as closely as in `judge`."""
        aim = self.aims.excerpts_lufs
        return self._closely.trial(point, self.decisions_for(family), self._limiter_ceiling, aim, Guess())

    def judge(self, settings: Mapping[str, Mapping[str, float]], decisions: Decisions, guess: Guess) -> Trial:
        """Judge complete settings on the excerpts at the loudness of the last trials; only the drive is solved.

        It is solved more closely than in a trial: one LU costs up to four points of score, so that small differences
        of score would be those of the loudness. Where the guess leads astray, it is solved once more without one.
        """
        target_lufs, plan = self.aims.excerpts_lufs, fixed(settings, decisions)
        solved = self._closely.solve(plan, target_lufs, guess)
        if not solved.solution.met:
            solved = self._closely.solve(plan, target_lufs, Guess())
        return self._closely.price(solved, target_lufs)

    def neighbours(self, weights: Weights, within: float) -> dict[str, Trial]:
        """The best trial's neighbours; earlier trials that promise to be some are judged anew for it."""
        now = list(filter(self._eligible, self.done[self._fair :]))
        earlier = list(filter(self._eligible, self.done[: self._fair]))
        if earlier:
            first = min(earlier, key=lambda t: t.score)
            promising = by_side(first, non_dominated(earlier, weights), weights, within)
            again = [t.coordinates for side in promising.values() for t in side[: self._plan.batch // 2]]
            points = list(dict.fromkeys(c for c in again if c is not None))
            now += filter(self._eligible, self._evaluate([("", c) for c in points], self.aims, self._fair, keep=True))
        return neighbours(self.best, [self.best, *now], weights, within, REAL_CHOICE_DB + _MARGIN_DB)

    def _spend_on_baselines(self, aims: Aims) -> None:
        plan = self._plan
        families = self._distinct(baseline_points(plan.trade_default, plan.baselines))
        families = families[: max(2, plan.budget - len(self.done))]
        for start in range(0, len(families), plan.batch):
            if self._stopped():
                break
            batch = families[start : start + plan.batch]
            names = [family for family, _ in batch]
            self.families.extend(zip(names, self._batch(batch, aims, 0, keep=True), strict=True))

    def _distinct(self, points: Sequence[tuple[str, Coordinates]]) -> list[tuple[str, Coordinates]]:
        """The families under the locks, each setting once: a locked release, or no clipper, makes many points one."""
        found: list[tuple[str, Coordinates]] = []
        seen = []
        for family, point in points:
            name = WITH_LOCKS[family] if self._touched(family) else family
            chain = outline(point, self.decisions_for(name), self._limiter_ceiling, self._song.chain)
            if chain not in seen:
                seen.append(chain)
                found.append((name, point))
        return found

    def _touched(self, family: str) -> bool:
        """Whether the engineer's locks reach into a simple baseline."""
        return family in WITH_LOCKS and self.decisions_for(family) != self.decisions_for(WITH_LOCKS[family])

    def _without_locks(self, aims: Aims, fair: int) -> None:
        """Beyond the budget: the simple baselines as they would be without the locks, to tell what these cost."""
        points = baseline_points(self._plan.trade_default, self._plan.baselines)
        free = [(family, point) for family, point in points if self.families and self._touched(family)]
        if free:
            self._progress("trying simple chains without the locks", 0.0)
            trials = self._evaluate(free, aims, fair, keep=True)
            self.families.extend(zip([family for family, _ in free], trials, strict=True))

    def _explored(self, aims: Aims) -> tuple[Trial, Aims, int]:
        """Spend the explorer's share; returns the best, what to aim at now, and where that begins."""
        plan = self._plan
        # Its library may take a second to load, which is better spent behind the first trials.
        explorer = make_sampler(plan.sampler, plan.ranges, plan.seed, len(self.families) + plan.startup)
        for _, trial in self.families:
            if trial.coordinates is not None:
                explorer.known(trial.coordinates, outcome_of(trial, self._weights))
        fair = 0
        self._ask(explorer, round(plan.explore_share * plan.budget), aims, fair)
        best = self._best(fair)
        if best.solution.met and len(self.done) < plan.budget and not self._stopped():
            aims = self._calibrate(best.settings, best.loss_db)
            # Scores at another excerpt loudness do not compare: the leaders are judged anew.
            fair = len(self.done)
            most = min(plan.batch, max(1, (plan.budget - fair) // 2))
            leaders = sorted(filter(self._allowed, self.done), key=lambda t: t.score)[:most]
            self._batch([("", t.coordinates) for t in leaders if t.coordinates is not None], aims, fair, keep=True)
            best = self._best(fair)
        return best, aims, fair

    def decisions_for(self, family: str) -> Decisions:
        """Locks of one family: a simple baseline has none of the engineer's, or those of the stages it has.

        It solves its own drive; what is the same for every trial (linear stages, ends) is as decided.
        """
        if not family:
            return self.searched
        if family == TRADE_DEFAULT:
            return self._decisions
        source = self._decisions if family in WITH_LOCKS.values() else self._unlocked
        keep = {*self._song.chain.linear, "dynamic_bell", "limiter", "output"}
        keep |= {"clipper"} if family in (CLIP_AND_LIMIT, CLIP_LOCKED) else set()
        locks = {name: values for name, values in source.locks.items() if name in keep}
        return Decisions(locks=locks, without=source.without)

    def honours_locks(self, settings: Mapping[str, Mapping[str, float]]) -> bool:
        """True when every value that the engineer has locked is in the chain, and all that a binding start holds."""
        binding = self._around is not None and self._around.binding
        decided = self.searched if binding else self._decisions
        return not (binding and settings.keys() & decided.without) and all(
            settings.get(stage, {}).get(name) == value
            for stage, fixed_values in decided.locks.items()
            for name, value in fixed_values.items()
        )

    def _allowed(self, trial: Trial) -> bool:
        # A baseline without a stage that the engineer has locked is compared with, never suggested; near an earlier
        # sheet baselines are for the whole song alone, since its stages stay.
        near = self._around is None or not any(trial is known for _, known in self.families)
        return near and not trial.pruned and self.honours_locks(trial.settings)

    def _eligible(self, trial: Trial) -> bool:
        return trial.solution.met and trial.coordinates is not None and self._allowed(trial)

    def _stopped(self) -> bool:
        """Whether the user wants no more than what there is; once said, it stays."""
        if self.complete and self._stop():
            self.complete = False
        return not self.complete

    def _best(self, since: int) -> Trial:
        allowed = list(filter(self._allowed, self.done[since:]))
        if not allowed:  # only when it was stopped so early
            raise StoppedError("Stopped before any trial was done, so there is nothing to show. --resume goes on.")
        return min(allowed, key=lambda t: t.score)

    def _ask(self, optimiser: Optimiser, until: int, aims: Aims, fair: int) -> None:
        while len(self.done) < min(until, self._plan.budget) and not self._stopped():
            asked = optimiser.ask(min(self._plan.batch, until - len(self.done)))
            trials = self._batch([("", point) for point in asked], aims, fair)
            optimiser.tell([outcome_of(trial, self._weights) for trial in trials])

    def _batch(
        self, batch: Sequence[tuple[str, Coordinates]], aims: Aims, fair: int, *, keep: bool = False
    ) -> list[Trial]:
        """Evaluate a batch of the budget; scores compare from the trial `fair` on. With `keep` none is cut short."""
        self._progress("searching", len(self.done) / self._plan.budget)
        trials = self._evaluate(batch, aims, fair, keep=keep)
        self.done.extend(trials)
        return trials

    def _evaluate(
        self, batch: Sequence[tuple[str, Coordinates]], aims: Aims, fair: int, *, keep: bool
    ) -> list[Trial]:
        asked = [(point, self.decisions_for(family)) for family, point in batch]
        # Solves may start from any trial; whether a score is behind is told by those it compares with.
        comparable = self.done[fair:]
        best = min((t.score for t in comparable if self._allowed(t)), default=None)
        known = Known.of(list(self.done), comparable, best, None if keep else self._plan.first_margin)
        return self._batches.evaluate(asked, aims, known)

    def _simpler(self, best: Trial, aims: Aims, fair: int) -> Trial:
        """Leave out stages that hardly earn their place: a hand sets five stages sooner than seven."""
        allowed = best.score + self._plan.simpler_within
        while best.coordinates is not None and (names := removable(best.coordinates, self.searched)):
            self._progress("leaving out what hardly matters", 0.0)
            fewer = [("", best.coordinates.model_copy(update={name: 0.0})) for name in names]
            without = min(self._evaluate(fewer, aims, fair, keep=True), key=lambda t: t.score)
            if without.score > allowed or not without.solution.met:
                break
            best = without
        return best

    def _calibrate(self, settings: Mapping[str, Mapping[str, float]], loss_db: float) -> Aims:
        """Loudness of the excerpts when the song is at the target (or as near as these settings get)."""
        solved = self._roughly.solve(fixed(settings, Decisions()), self._target_lufs, Guess(loss_db=loss_db))
        same = Decisions(locks={"drive": {"gain_db": solved.solution.drive_db}})
        heard = self._excerpts.solve(fixed(settings, same), self._target_lufs, Guess())
        return self._staged.aims(heard, self._target_lufs - solved.solution.reached_lufs)
