"""What a search knows once its trials are spent, and further chains judged as they were."""

from collections.abc import Mapping
from dataclasses import dataclass

from autochain.chain.settings import ChainSettings
from autochain.config.model import Coordinates
from autochain.search.baselines import BASELINE_WORDS
from autochain.search.binding import Binding
from autochain.search.evaluator import Aim, Evaluator, Trial
from autochain.search.surrogate import Surrogate
from autochain.solve.decisions import Decisions
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess

_CLOSELY_LU = 0.004


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spent:
    """The trials of one search at their end.

    Attributes
    ----------
    done
        Trials of the budget, in the order asked.
    families
        Trials of the baselines, with the names of their families.
    best
        The best, with the stages left out that hardly matter.
    neighbours
        Its neighbours by side, where they were looked for.
    complete
        False where the search was stopped.
    aim
        Loudness of the excerpts at which the song meets the target, and what a LU costs there.
    limiter_ceiling_dbtp
        The limiter's own ceiling in all of them.
    binding
        What bound them.
    excerpts
        What they were evaluated on.
    score_model, loss_model
        What they let expect of the score and of the level lost, for a search of the same mix at another loudness.
    """

    done: tuple[Trial, ...]
    families: tuple[tuple[str, Trial], ...]
    best: Trial
    neighbours: Mapping[str, Trial]
    complete: bool
    aim: Aim
    limiter_ceiling_dbtp: float
    binding: Binding
    excerpts: Evaluator
    score_model: Surrogate | None
    loss_model: Surrogate | None

    def best_of_families(self) -> dict[str, Trial]:
        """The best trial of every baseline's family, in the order in which they are named to a reader."""
        best: dict[str, Trial] = {}
        for name, trial in self.families:
            if name not in best or trial.score < best[name].score:
                best[name] = trial
        return {name: best[name] for name in BASELINE_WORDS if name in best}

    def baseline(self, family: str, point: Coordinates) -> Trial:
        """A baseline's point on the excerpts at the loudness of the trials, solved as closely as in `judge`."""
        binds = self.binding.of_family(family)
        return self._closely().trial(point, binds, self.limiter_ceiling_dbtp, self.aim, Guess())

    def judge(self, settings: ChainSettings, decisions: Decisions, guess: Guess) -> Trial:
        """Judge complete settings on the excerpts at the loudness of the trials; only the drive is solved.

        It is solved more closely than in a trial: one LU costs up to four points of score, so that small differences
        of score would be those of the loudness. Where the guess leads astray, it is solved once more without one.
        """
        closely, plan = self._closely(), only_drive_left(settings, decisions)
        solved = closely.solve(plan, self.aim.lufs, guess)
        if not solved.solution.met:
            solved = closely.solve(plan, self.aim.lufs, Guess())
        return closely.price(solved, self.aim)

    def _closely(self) -> Evaluator:
        return self.excerpts.with_tolerance(min(_CLOSELY_LU, self.excerpts.plan.tolerance_lu))
