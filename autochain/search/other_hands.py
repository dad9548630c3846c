"""What a sheet costs when it is set on tools unlike ours, and which of equal chains is best there.

Times, ratios, knees and ceilings stay as printed. Thresholds are turned until the meter shows the same reduction, and
the drive until the loudness is reached, as the sheet says: both are solved again, on the excerpts.
"""

import statistics
from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np
import numpy.typing as npt

from autochain.chain.settings import DRIVE, ChainSettings
from autochain.config.coordinates import SWITCHING
from autochain.config.model import Ranges
from autochain.search.evaluator import OUT_OF_REACH, Aim, Evaluator, Trial
from autochain.search.sensitivity import InParallel
from autochain.search.space import outline_at, switched, to_vector
from autochain.search.strangers import ASKED, Stranger
from autochain.solve.decisions import Decisions
from autochain.solve.drive import within_slopes
from autochain.solve.outline import Outline
from autochain.solve.solved import Guess

# At what a LU costs beyond what the aim knows of it, 0.03 of score at most.
_TOLERANCE_LU = 0.03

Changes = Mapping[str, float]  # of the score, by stranger


class OtherHands:
    """Sets chains on strangers' tools; what it has told once it knows.

    Parameters
    ----------
    excerpts
        What is rendered.
    aim
        Loudness of the trials.
    in_parallel
        Makes calls at the same time; changes nothing but time.
    strangers
        Who is asked.
    """

    def __init__(
        self, excerpts: Evaluator, aim: Aim, in_parallel: InParallel, strangers: Sequence[Stranger] = ASKED
    ) -> None:
        self._solver = excerpts.with_tolerance(max(_TOLERANCE_LU, excerpts.plan.tolerance_lu))
        self._aim = aim
        self._in_parallel = in_parallel
        self._strangers = strangers
        self._known: dict[ChainSettings, Changes] = {}

    def changes(self, trials: Sequence[Trial], decisions: Decisions) -> list[Changes]:
        """How much more every trial's chain costs on each stranger's tools; over 50 where that misses the loudness.

        Nothing for a locked drive: nobody then turns it to the loudness.
        """
        if (DRIVE, "gain_db") in decisions.locks:
            return [{} for _ in trials]
        fresh = [trial for trial in trials if trial.settings not in self._known]
        calls = [(trial, stranger) for trial in fresh for stranger in self._strangers]
        found = iter(self._in_parallel(partial(self._change, *call, decisions) for call in calls))
        for trial in fresh:
            self._known[trial.settings] = {stranger.name: next(found) for stranger in self._strangers}
        return [self._known[trial.settings] for trial in trials]

    def _change(self, trial: Trial, stranger: Stranger, decisions: Decisions) -> float:
        outline = as_set_by(stranger, trial, decisions, self._solver)
        if outline is None:
            return 0.0
        guess = Guess(slope=within_slopes(trial.solution.slope), loss_db=trial.loss_db)
        solved = self._solver.solve(outline, self._aim.lufs, guess)
        return self._solver.price(solved, self._aim).score - trial.score


def as_set_by(stranger: Stranger, trial: Trial, decisions: Decisions, solver: Evaluator) -> Outline | None:
    """What a stranger's owner sets, thresholds and drive left to the meters; None where it does as ours does."""
    settings = stranger.read(trial.settings)
    if settings == trial.settings or trial.coordinates is None:
        return None
    own = outline_at(trial.coordinates, decisions, 0.0, solver.chain)
    return Outline(
        settings=settings,
        work_db=own.work_db,
        clip_share=None,
        drive_db=own.drive_db,
        ceiling_locked=own.ceiling_locked,
    )


def suited(trials: Sequence[Trial], changes: Sequence[Changes]) -> Trial:
    """The trial whose chain costs least in the mean over all hands, ours among them; the first where several do."""
    costs = [t.score + statistics.fmean([0.0, *change.values()]) for t, change in zip(trials, changes, strict=True)]
    return trials[costs.index(min(costs))]


def missed(change: float) -> bool:
    """Whether a change of score is that of a loudness out of reach."""
    return change > 0.5 * OUT_OF_REACH


def loss(changes: Changes) -> float:
    """What a chain loses on other tools: the mean over the strangers."""
    return statistics.fmean(changes.values()) if changes else 0.0


def leaders(
    best: Trial, trials: Sequence[Trial], within: float, most: int, ranges: Ranges
) -> list[Trial]:
    """The best trial, and others that are about as good: the most unlike it and each other first.

    Parameters
    ----------
    best
        The best trial.
    trials
        What to draw from. A chain of more stages than the best has not earned them.
    within
        Points of score that are no difference.
    most
        Number of leaders.
    ranges
        The scale on which points are near.
    """

    def place(trial: Trial) -> npt.NDArray[np.float64]:
        assert trial.coordinates is not None
        assert best.coordinates is not None
        on = switched(trial.coordinates)
        # What a stage would use that is left out makes no chain unlike another.
        unused = {name for c in SWITCHING if getattr(on, c.name) == 0.0 for name in c.uses}
        return np.array(
            to_vector(on.model_copy(update={name: getattr(best.coordinates, name) for name in unused}), ranges)
        )

    near = [
        trial
        for trial in trials
        if trial.solution.met
        and trial.coordinates is not None
        and trial.score <= best.score + within
        and len(trial.settings) <= len(best.settings)
    ]
    found = [best]
    while len(found) < most:
        taken = [place(trial) for trial in found]
        apart = [min(float(np.linalg.norm(place(trial) - other)) for other in taken) for trial in near]
        if not apart or max(apart) == 0.0:
            break
        found.append(near[apart.index(max(apart))])
    return found
