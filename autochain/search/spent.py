"""What a search knows once its trials are spent, and further chains judged as they were."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from autochain.chain.settings import ChainSettings
from autochain.config.model import Coordinates
from autochain.search.baselines import BASELINE_WORDS
from autochain.search.binding import Binding
from autochain.search.evaluator import Aim, Evaluator, Trial
from autochain.search.other_hands import OtherHands
from autochain.search.sensitivity import Judge
from autochain.search.surrogate import Surrogate
from autochain.solve.decisions import Decisions
from autochain.solve.drive import Solution
from autochain.solve.outline import only_drive_left
from autochain.solve.solved import Guess

_CLOSELY_LU = 0.004
# Most loudness whose score is told by what a LU costs the chain. One far worse may lose twice as much by it.
_ROUGHLY_LU = 0.01
_ASIDE_DB = 0.15  # to either side of a drive, to learn what a LU costs there


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
        The best with the stages left out that hardly matter, or one of `alike`.
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
    score_model
        What they let expect of the score, for a search of the same mix at another loudness.
    alike
        The best and chains about as good, which were set on other tools.
    other_hands
        What chains cost on other tools.
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
    alike: tuple[Trial, ...]
    other_hands: OtherHands

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

    def judging(self, settings: ChainSettings, decisions: Decisions, found: Solution) -> Judge:
        """What judges complete settings near those of a chain, on the excerpts at the loudness of the trials.

        Only the drive is solved, no nearer than a render or two bring it: what is missing is told by what a LU costs
        this very chain, so that small differences of score are not those of the loudness.

        Parameters
        ----------
        settings, decisions
            The chain, and what binds it.
        found
            A solution for about these settings.
        """
        excerpts, lufs = self.excerpts, self.aim.lufs
        plan = only_drive_left(settings, decisions)
        aim, start = Aim(lufs=lufs), Guess(slope=found.slope)
        if plan.drive_db is None:
            quieter, louder = (
                excerpts.solve(replace(plan, drive_db=found.drive_db + aside_db), lufs, start)
                for aside_db in (-_ASIDE_DB, _ASIDE_DB)
            )
            aim = Aim(lufs=lufs, score_per_lu=excerpts.score_per_lu(quieter, louder))
            reached_lufs = louder.solution.reached_lufs
            over_lu = excerpts.over_told_lu(louder.settings, reached_lufs, louder.before_peaks)
            start = Guess(slope=found.slope, loss_db=louder.loss_db - _ASIDE_DB, over_told_lu=over_lu)
        roughly = excerpts.with_tolerance(_ROUGHLY_LU)

        def judge(settings: ChainSettings) -> float:
            return roughly.price(roughly.solve(only_drive_left(settings, decisions), lufs, start), aim).score

        return judge

    def _closely(self) -> Evaluator:
        return self.excerpts.with_tolerance(min(_CLOSELY_LU, self.excerpts.plan.tolerance_lu))
