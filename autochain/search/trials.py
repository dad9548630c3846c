"""The trials of one search: simple chains, a spread of others, what a model of them promises, and fewer stages."""

import math
from collections.abc import Callable, Sequence
from functools import partial

from autochain.chain.settings import DRIVE, ChainSettings
from autochain.config.model import Config, Coordinates
from autochain.errors import StoppedError
from autochain.search.baselines import WITH_LOCKS, Family, Grids, baseline_grids, corners, most_to_tune, tuned
from autochain.search.binding import Binding
from autochain.search.evaluator import Aim, Evaluator, Trial
from autochain.search.front import REAL_CHOICE, by_side, neighbours
from autochain.search.other_hands import OtherHands, leaders, suited
from autochain.search.request import RunOptions
from autochain.search.sampler import ModelSampler
from autochain.search.space import outline_at, ranges_near, removable
from autochain.search.spent import Spent
from autochain.solve.decisions import Decisions
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess

# Headroom left from the start between the limiter's own ceiling and the one promised: a moving gain makes new
# peaks between samples, and three meters differ by tenths of a dB.
_HEADROOM_DB = 0.1
# A neighbour has to differ by a little more on the excerpts, so that it still does on the whole song.
_MARGIN = 0.1
# How far the drive is turned back to learn what a LU costs, and what a LU can cost: beyond is noise.
_TURNED_BACK_DB = 0.5
_MOST_A_LU = 12.0
# Trials are rendered no nearer to their aim than this: the rest is told by what a LU costs.
_TRIAL_LU = 0.05
_OWN = ""  # family of the search's own points

_Evaluate = Callable[[Sequence[Family]], Sequence[Trial]]


class Trials:
    """Spends the budget; every score is taken where the whole song would meet the target.

    Parameters
    ----------
    excerpts, song
        Evaluators over the excerpts and over the whole song.
    config
        Targets, plan, weights.
    binding
        What binds the search's own trials and the baselines.
    run
        How many trials at the same time; what they see depends on earlier batches alone.
    seeds
        Points known to be good near this target: tried first, in place of baselines.
    before
        A search of the same mix near this target: what it learned holds here, but for what differs.
    """

    def __init__(
        self,
        excerpts: Evaluator,
        song: Evaluator,
        config: Config,
        binding: Binding,
        run: RunOptions,
        seeds: Sequence[Coordinates] = (),
        before: Spent | None = None,
    ) -> None:
        plan, near = config.search, binding.near
        self._plan, self._weights = plan, config.weights
        self._excerpts, self._song = excerpts, song
        self._target_lufs = config.target.loudness_lufs
        self._limiter_ceiling = config.target.ceiling_dbtp - _HEADROOM_DB
        self._binding = binding
        self._run = run
        self._seeds = seeds
        self._start = seeds[0] if seeds else plan.trade_default if near is None else near.start
        ranges = plan.ranges if near is None else ranges_near(near.start, plan.ranges, plan.around_share)
        scores = None if before is None else before.score_model
        self._sampler = ModelSampler(ranges, plan.seed, binding.searched, self._start, scores)
        self._complete = True
        self._asked = 0
        self._done: list[Trial] = []
        self._best_score = math.inf
        self._families: list[tuple[str, Trial]] = []

    def spend(self, *, sides: bool = True) -> Spent:
        """Spend the budget, then leave out stages that hardly matter.

        With `sides` chains about as good as the best are set on other tools, and neighbours are looked for.
        """
        self._run.progress("calibrating the excerpts", 0.0)
        self._aim = self.calibrated()
        grids = {} if self._seeds else self._distinct()
        self._spend_on_known(grids)
        # Simple chains are tuned at the end: what the model asks for comes no worse without them.
        kept = min(most_to_tune(grids), self._left() // 3)
        while (left := self._left() - kept) > 0 and not self._stopped():
            points = self._sampler.ask(min(self._plan.batch, left))
            self._sampler.tell([trial.score for trial in self._of_budget([(_OWN, point) for point in points])])
        tuned(grids, self._families, self._plan.ranges, self._in_batches)
        best = self._best()
        if not self._stopped():
            best = self._simpler(best)
        other_hands = OtherHands(self._excerpts, self._aim, self._run.in_parallel)
        alike = [best]
        if sides and not self._stopped():
            alike = self._alike(best)
        if len(alike) > 1:
            self._run.progress("setting the best on other tools", 0.0)
            best = suited(alike, other_hands.changes(alike, self._binding.searched))
        if not self._stopped():
            self._without_locks()
        return Spent(
            done=tuple(self._done),
            families=tuple(self._families),
            best=best,
            neighbours=self._neighbours(best) if sides and self._complete else {},
            complete=self._complete,
            aim=self._aim,
            limiter_ceiling_dbtp=self._limiter_ceiling,
            binding=self._binding,
            excerpts=self._excerpts,
            score_model=self._sampler.learned(),
            alike=tuple(alike),
            other_hands=other_hands,
        )

    def calibrated(self) -> Aim:
        """Loudness of the excerpts when the song is at the target, and what a LU more costs there.

        The song is rendered once, at the drive that the excerpts took; what it misses, the excerpts are to make up for.
        Beside it what every trial reads of the excerpts is built.
        """
        excerpts = self._excerpts
        excerpts.material.warm()
        plan = outline_at(self._start, self._binding.searched, self._limiter_ceiling, excerpts.chain)
        heard = excerpts.solve(plan, self._target_lufs, Guess())

        def same(drive_db: float) -> Decisions:
            return Decisions(locks=ChainSettings({DRIVE: {"gain_db": drive_db}}))

        drive_db, settings = heard.solution.drive_db, heard.settings

        def a_lu() -> float:
            excerpts.warm()
            less = only_drive_left(settings, same(drive_db - _TURNED_BACK_DB))
            return excerpts.score_per_lu(excerpts.solve(less, self._target_lufs, Guess()), heard)

        price = self._run.beside(a_lu)
        whole = self._song.solve(only_drive_left(settings, same(drive_db)), self._target_lufs, Guess(), keep=False)
        missing_lu = self._target_lufs - whole.solution.reached_lufs
        over_told_lu = self._song.over_told_lu(whole.settings, whole.solution.reached_lufs, whole.before_peaks)
        over_told_lu -= excerpts.over_told_lu(settings, heard.solution.reached_lufs, heard.before_peaks)
        del whole
        return Aim(
            lufs=heard.solution.reached_lufs + missing_lu,
            score_per_lu=min(_MOST_A_LU, price()),
            over_told_lu=over_told_lu,
        )

    def _spend_on_known(self, grids: Grids) -> None:
        """What is tried whatever comes of it: earlier points, simple chains, and a spread of others."""
        plan = self._plan
        first = self._seeds if self._seeds or self._binding.near is None else (self._start,)
        # An earlier sheet's own point comes first, so that the smallest budget holds it.
        self._in_batches([(_OWN, point) for point in first])
        if not self._seeds:
            self._in_batches(corners(grids)[: max(2, self._left())])
            self._in_batches([(_OWN, point) for point in self._sampler.spread(plan.startup)])

    def _in_batches(self, asked: Sequence[Family]) -> list[Trial]:
        """Evaluate points of the budget, whole batches at a time, and teach the sampler those that bind alike."""
        found: list[Trial] = []
        asked = asked[: max(0, self._left())] if self._done else asked
        for start in range(0, len(asked), self._plan.batch):
            if self._stopped():
                break
            batch = asked[start : start + self._plan.batch]
            trials = self._of_budget(batch)
            for (family, point), trial in zip(batch, trials, strict=True):
                if family:
                    self._families.append((family, trial))
                if self._allowed(trial):
                    self._sampler.known(point, trial.score)
            found += trials
        return found

    def _left(self) -> int:
        return self._plan.budget - len(self._done)

    def _distinct(self) -> dict[str, list[Coordinates]]:
        """The baselines' grids under the locks, each setting once: a locked release makes many points one."""
        found: dict[str, list[Coordinates]] = {}
        seen = []
        for family, points in baseline_grids(self._plan.trade_default, self._plan.baselines).items():
            name = WITH_LOCKS[family] if self._binding.touches(family) else family
            for point in points:
                chain = outline_at(point, self._binding.of_family(name), self._limiter_ceiling, self._song.chain)
                if chain not in seen:
                    seen.append(chain)
                    found.setdefault(name, []).append(point)
        return found

    def _without_locks(self) -> None:
        """Beyond the budget: the simple baselines as they would be without the locks, to tell what these cost."""
        grids = baseline_grids(self._plan.trade_default, self._plan.baselines)
        free = {name: points for name, points in grids.items() if self._families and self._binding.touches(name)}
        if not free:
            return
        self._run.progress("trying simple chains without the locks", 0.0)

        def evaluate(asked: Sequence[Family]) -> Sequence[Trial]:
            trials = self._evaluate(asked)
            self._families.extend(zip([family for family, _ in asked], trials, strict=True))
            return trials

        evaluate(corners(free))
        tuned(free, self._families, self._plan.ranges, evaluate)

    def _neighbours(self, best: Trial) -> dict[str, Trial]:
        """The best trial's neighbours among all, without stages that hardly matter to them."""
        eligible = [t for t in self._done if t.solution.met and t.coordinates is not None and self._allowed(t)]
        within, least = self._plan.neighbours_within, REAL_CHOICE + _MARGIN
        found = neighbours(best, [best, *eligible], self._weights, within, least)
        fewer = {side: self._simpler(trial) for side, trial in found.items()}
        still = {side for side, one in fewer.items() if by_side(best, [one], self._weights, within, least)[side]}
        return {side: fewer[side] if side in still else trial for side, trial in found.items()}

    def _allowed(self, trial: Trial) -> bool:
        # A baseline without a stage that the engineer has locked is compared with, never suggested; near an earlier
        # sheet baselines are for the whole song alone, since its stages stay.
        own = self._binding.near is None or not any(trial is known for _, known in self._families)
        return own and self._binding.honoured_by(trial.settings)

    def _stopped(self) -> bool:
        """Whether the user wants no more than what there is; once said, it stays."""
        if self._complete and self._run.stop():
            self._complete = False
        return not self._complete

    def _best(self) -> Trial:
        allowed = list(filter(self._allowed, self._done))
        if not allowed:  # only when it was stopped so early
            raise StoppedError("Stopped before any trial was done, so there is nothing to show. --resume goes on.")
        return min(allowed, key=lambda t: t.score)

    def _of_budget(self, batch: Sequence[Family]) -> list[Trial]:
        self._run.progress("searching", len(self._done) / self._plan.budget)
        trials = self._evaluate(batch)
        self._done.extend(trials)
        for trial in filter(self._allowed, trials):
            if trial.solution.met and trial.score < self._best_score:
                self._best_score = trial.score
                self._run.better(trial.settings, trial.score)
        return trials

    def _evaluate(self, batch: Sequence[Family]) -> list[Trial]:
        """Evaluate points in parallel, numbered in the order asked; no solve knows of another."""
        first, self._asked = self._asked, self._asked + len(batch)
        evaluator = self._excerpts.with_tolerance(max(_TRIAL_LU, self._plan.drive.tolerance_lu))

        def one(place: int) -> Trial:
            (family, point), journal = batch[place], self._run.journal
            found = None if journal is None else journal.find(first + place)
            if found is None:
                binds = self._binding.of_family(family)
                found = evaluator.trial(point, binds, self._limiter_ceiling, self._aim, Guess())
                if journal is not None:
                    journal.add(first + place, found)
            return found

        return self._run.in_parallel(partial(one, place) for place in range(len(batch)))

    def _alike(self, best: Trial) -> list[Trial]:
        """The best and chains about as good; near an earlier sheet the best alone.

        One that is ahead of a simple chain by what a chain has to earn gives that place to no other.
        """
        plan, within = self._plan, self._plan.equal_within
        if self._binding.near is not None or not best.solution.met:
            return [best]
        ahead = [t.score - best.score for _, t in self._families if len(t.settings) < len(best.settings)]
        if ahead and min(ahead) > plan.chain_earns:
            within = min(within, min(ahead) - plan.chain_earns)
        return leaders(best, list(filter(self._allowed, self._done)), within, plan.equal_chains, plan.ranges)

    def _simpler(self, best: Trial) -> Trial:
        """Leave out stages that hardly earn their place: a hand sets five stages sooner than seven."""
        allowed = best.score + self._plan.simpler_within
        while best.coordinates is not None and (names := removable(best.coordinates, self._binding.searched)):
            self._run.progress("leaving out what hardly matters", 0.0)
            fewer = [(_OWN, best.coordinates.model_copy(update={name: 0.0})) for name in names]
            without = min(self._evaluate(fewer), key=lambda t: t.score)
            if without.score > allowed or not without.solution.met:
                break
            best = without
        return best
