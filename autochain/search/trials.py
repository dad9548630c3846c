"""The trials of one search: baselines, exploration, descent, and leaving out what hardly matters."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from autochain.chain.settings import DRIVE, ChainSettings
from autochain.config.model import Config, Coordinates
from autochain.errors import StoppedError
from autochain.search.baselines import WITH_LOCKS, baseline_points
from autochain.search.batches import Batches
from autochain.search.binding import Binding
from autochain.search.descent import DescentSampler
from autochain.search.evaluator import Evaluator, Trial
from autochain.search.front import REAL_CHOICE_DB, by_side, neighbours, non_dominated
from autochain.search.request import RunOptions
from autochain.search.space import outline_at, ranges_near, removable
from autochain.search.spent import Spent
from autochain.search.staged import Aims, Known, Staged
from autochain.solve.decisions import Decisions
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess

# Headroom left from the start between the limiter's own ceiling and the one promised: a moving gain makes new
# peaks between samples, and three meters differ by tenths of a dB.
_HEADROOM_DB = 0.1
# A neighbour has to differ by a little more on the excerpts, so that it still does on the whole song.
_MARGIN_DB = 0.1
# The whole song is rendered no nearer to its target than this to calibrate: what is missing is added to what the
# excerpts have at that drive, and song and excerpts rise alike within a tenth.
_ROUGHLY_LU = 0.1
_OWN = ""  # family of the search's own points


class Sampler(Protocol):
    """Proposes points; knows nothing of sound.

    The same seed and the same calls give the same points, so whoever repeats the calls has the sampler as it was.
    """

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points to evaluate, all inside the ranges."""
        ...

    def tell(self, scores: Sequence[float]) -> None:
        """Take the scores of all points last asked for, in the order asked; lower is better."""
        ...

    def known(self, point: Coordinates, score: float) -> None:
        """Take a point that was evaluated without being asked for; it may lie outside the ranges."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class _Level:
    """What trials aim at, and the number of the first trial whose score was taken there: from it on they compare."""

    aims: Aims
    first: int = 0


class Trials:
    """Spends the budget; every score is taken where the whole song would meet the target.

    Parameters
    ----------
    staged, song
        Evaluators over the excerpts and over the whole song.
    config
        Targets, plan, weights.
    binding
        What binds the search's own trials and the baselines.
    run
        How many trials at the same time; what they see depends on earlier batches alone.
    seeds
        Points known to be good near this target: tried first, in place of baselines and explorer.
    """

    def __init__(
        self,
        staged: Staged,
        song: Evaluator,
        config: Config,
        binding: Binding,
        run: RunOptions,
        seeds: Sequence[Coordinates] = (),
    ) -> None:
        self._seeds = seeds
        self._staged, self._song = staged, song
        self._plan, self._weights = config.search, config.weights
        self._target_lufs = config.target.loudness_lufs
        self._limiter_ceiling = config.target.ceiling_dbtp - _HEADROOM_DB
        self._binding = binding
        self._batches = Batches(staged, self._limiter_ceiling, run)
        self._run = run
        self._complete = True
        self._done: list[Trial] = []
        self._families: list[tuple[str, Trial]] = []

    def spend(self, *, sides: bool = True) -> Spent:
        """Spend the budget, then leave out stages that hardly matter; with `sides` look for neighbours of the best."""
        plan, near = self._plan, self._binding.near
        start = self._seeds[0] if self._seeds else plan.trade_default if near is None else near.start
        self._run.progress("calibrating the excerpts", 0.0)
        self._staged.warm()
        searched = self._binding.searched
        first = self._staged.excerpts.solve(
            outline_at(start, searched, self._limiter_ceiling, self._song.chain), self._target_lufs, Guess()
        )
        level = _Level(aims=self._calibrate(first.settings, first.loss_db))
        if self._seeds:
            seeded = self._batch([(_OWN, point) for point in self._seeds], level, keep=True)
            best = min(seeded, key=lambda t: t.score)
        elif near is None:
            self._spend_on_baselines(level)
            best, level = self._explored(level)
        else:
            # The sheet's own point comes first, so that the smallest budget holds it.
            (best,) = self._batch([(_OWN, start)], level, keep=True)
            self._spend_on_baselines(level)
        if best.coordinates is not None:
            ranges = plan.ranges if near is None else ranges_near(near.start, plan.ranges, plan.around_share)
            descent = DescentSampler(ranges, plan.seed, searched)
            descent.known(best.coordinates, best.score)
            self._ask(descent, plan.budget, level)
        best = self._best(level)
        if not self._stopped():
            best = self._simpler(best, level)
        if not self._stopped():
            self._without_locks(level)
        return Spent(
            done=tuple(self._done),
            comparable_from=level.first,
            families=tuple(self._families),
            best=best,
            neighbours=self._neighbours(best, level) if sides and self._complete else {},
            complete=self._complete,
            aims=level.aims,
            limiter_ceiling_dbtp=self._limiter_ceiling,
            binding=self._binding,
            excerpts=self._staged.excerpts,
        )

    def _neighbours(self, best: Trial, level: _Level) -> dict[str, Trial]:
        """The best trial's neighbours; earlier trials that promise to be some are judged anew for it."""
        weights, within = self._weights, self._plan.neighbours_within
        now = list(filter(self._eligible, self._done[level.first :]))
        earlier = list(filter(self._eligible, self._done[: level.first]))
        if earlier:
            first = min(earlier, key=lambda t: t.score)
            promising = by_side(first, non_dominated(earlier, weights), weights, within)
            again = [t.coordinates for side in promising.values() for t in side[: self._plan.batch // 2]]
            points = list(dict.fromkeys(c for c in again if c is not None))
            now += filter(self._eligible, self._evaluate([(_OWN, c) for c in points], level, keep=True))
        return neighbours(best, [best, *now], weights, within, REAL_CHOICE_DB + _MARGIN_DB)

    def _spend_on_baselines(self, level: _Level) -> None:
        plan = self._plan
        families = self._distinct(baseline_points(plan.trade_default, plan.baselines))
        families = families[: max(2, plan.budget - len(self._done))]
        for start in range(0, len(families), plan.batch):
            if self._stopped():
                break
            batch = families[start : start + plan.batch]
            names = [family for family, _ in batch]
            self._families.extend(zip(names, self._batch(batch, level, keep=True), strict=True))

    def _distinct(self, points: Sequence[tuple[str, Coordinates]]) -> list[tuple[str, Coordinates]]:
        """The families under the locks, each setting once: a locked release, or no clipper, makes many points one."""
        found: list[tuple[str, Coordinates]] = []
        seen = []
        for family, point in points:
            name = WITH_LOCKS[family] if self._binding.touches(family) else family
            chain = outline_at(point, self._binding.of_family(name), self._limiter_ceiling, self._song.chain)
            if chain not in seen:
                seen.append(chain)
                found.append((name, point))
        return found

    def _without_locks(self, level: _Level) -> None:
        """Beyond the budget: the simple baselines as they would be without the locks, to tell what these cost."""
        points = baseline_points(self._plan.trade_default, self._plan.baselines)
        free = [(family, point) for family, point in points if self._families and self._binding.touches(family)]
        if free:
            self._run.progress("trying simple chains without the locks", 0.0)
            trials = self._evaluate(free, level, keep=True)
            self._families.extend(zip([family for family, _ in free], trials, strict=True))

    def _explored(self, level: _Level) -> tuple[Trial, _Level]:
        """Spend the explorer's share; returns the best, and what to aim at now."""
        # Its library takes a second to load, which is better spent behind the first trials.
        from autochain.search.tpe import TpeSampler

        plan = self._plan
        explorer = TpeSampler(plan.ranges, plan.seed, len(self._families) + plan.startup)
        for _, trial in self._families:
            if trial.coordinates is not None:
                explorer.known(trial.coordinates, trial.score)
        self._ask(explorer, round(plan.explore_share * plan.budget), level)
        best = self._best(level)
        if best.solution.met and len(self._done) < plan.budget and not self._stopped():
            # Scores at another excerpt loudness do not compare: the leaders are judged anew.
            level = _Level(aims=self._calibrate(best.settings, best.loss_db), first=len(self._done))
            most = min(plan.batch, max(1, (plan.budget - level.first) // 2))
            leaders = sorted(filter(self._allowed, self._done), key=lambda t: t.score)[:most]
            self._batch([(_OWN, t.coordinates) for t in leaders if t.coordinates is not None], level, keep=True)
            best = self._best(level)
        return best, level

    def _allowed(self, trial: Trial) -> bool:
        # A baseline without a stage that the engineer has locked is compared with, never suggested; near an earlier
        # sheet baselines are for the whole song alone, since its stages stay.
        own = self._binding.near is None or not any(trial is known for _, known in self._families)
        return own and not trial.pruned and self._binding.honoured_by(trial.settings)

    def _eligible(self, trial: Trial) -> bool:
        return trial.solution.met and trial.coordinates is not None and self._allowed(trial)

    def _stopped(self) -> bool:
        """Whether the user wants no more than what there is; once said, it stays."""
        if self._complete and self._run.stop():
            self._complete = False
        return not self._complete

    def _best(self, level: _Level) -> Trial:
        allowed = list(filter(self._allowed, self._done[level.first :]))
        if not allowed:  # only when it was stopped so early
            raise StoppedError("Stopped before any trial was done, so there is nothing to show. --resume goes on.")
        return min(allowed, key=lambda t: t.score)

    def _ask(self, sampler: Sampler, until: int, level: _Level) -> None:
        while len(self._done) < min(until, self._plan.budget) and not self._stopped():
            asked = sampler.ask(min(self._plan.batch, until - len(self._done)))
            sampler.tell([trial.score for trial in self._batch([(_OWN, point) for point in asked], level)])

    def _batch(
        self, batch: Sequence[tuple[str, Coordinates]], level: _Level, *, keep: bool = False
    ) -> list[Trial]:
        """Evaluate a batch of the budget. With `keep` none is cut short."""
        self._run.progress("searching", len(self._done) / self._plan.budget)
        trials = self._evaluate(batch, level, keep=keep)
        self._done.extend(trials)
        return trials

    def _evaluate(self, batch: Sequence[tuple[str, Coordinates]], level: _Level, *, keep: bool) -> list[Trial]:
        asked = [(point, self._binding.of_family(family)) for family, point in batch]
        # Solves may start from any trial; whether a score is behind is told by those it compares with.
        comparable = self._done[level.first :]
        best = min((t.score for t in comparable if self._allowed(t)), default=None)
        known = Known.of(list(self._done), comparable, best, None if keep else self._plan.first_margin)
        return self._batches.evaluate(asked, level.aims, known)

    def _simpler(self, best: Trial, level: _Level) -> Trial:
        """Leave out stages that hardly earn their place: a hand sets five stages sooner than seven."""
        allowed = best.score + self._plan.simpler_within
        while best.coordinates is not None and (names := removable(best.coordinates, self._binding.searched)):
            self._run.progress("leaving out what hardly matters", 0.0)
            fewer = [(_OWN, best.coordinates.model_copy(update={name: 0.0})) for name in names]
            without = min(self._evaluate(fewer, level, keep=True), key=lambda t: t.score)
            if without.score > allowed or not without.solution.met:
                break
            best = without
        return best

    def _calibrate(self, settings: ChainSettings, loss_db: float) -> Aims:
        """Loudness of the excerpts when the song is at the target (or as near as these settings get)."""
        roughly = self._song.with_tolerance(max(_ROUGHLY_LU, self._plan.drive.tolerance_lu))
        solved = roughly.solve(only_drive_left(settings, Decisions()), self._target_lufs, Guess(loss_db=loss_db))
        same = Decisions(locks=ChainSettings({DRIVE: {"gain_db": solved.solution.drive_db}}))
        heard = self._staged.excerpts.solve(only_drive_left(settings, same), self._target_lufs, Guess())
        return self._staged.aims(heard, self._target_lufs - solved.solution.reached_lufs)
