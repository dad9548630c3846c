"""Trials of one batch in parallel, numbered in the order asked, kept in the journal as they finish."""

from collections.abc import Callable, Sequence

from joblib import Parallel, delayed

from autochain.config.model import Coordinates, Ranges
from autochain.search.evaluate import Evaluator, Guess, Trial
from autochain.search.guess import guess_from
from autochain.search.journal import Journal
from autochain.search.space import Decisions

Batch = Sequence[tuple[Coordinates, Decisions]]


class Batches:
    """Evaluates points; what a trial may know of others comes from earlier batches alone.

    Parameters
    ----------
    evaluator
        Over the excerpts.
    ranges
        Where the sampler goes: the scale on which neighbours are near.
    limiter_ceiling_dbtp
        The limiter's own ceiling in every trial.
    parallel
        Runs the trials of one batch.
    journal
        Where trials are kept, and taken from when an earlier run has evaluated them; None keeps none.
    """

    def __init__(
        self,
        evaluator: Evaluator,
        ranges: Ranges,
        limiter_ceiling_dbtp: float,
        parallel: Parallel,
        journal: Journal | None,
    ) -> None:
        self._evaluator = evaluator
        self._ranges = ranges
        self._ceiling = limiter_ceiling_dbtp
        self._parallel = parallel
        self._journal = journal
        self._asked = 0

    def evaluate(self, batch: Batch, target_lufs: float, known: Sequence[Trial]) -> list[Trial]:
        """Evaluate points, each under its decisions; drive solves start from what the `known` trials lost.

        Returns the trials in the order asked.
        """
        first, self._asked = self._asked, self._asked + len(batch)
        # The list goes on growing in other hands while the threads read it.
        before = list(known)
        return list(
            self._parallel(
                delayed(self._one)(first + place, point, decisions, target_lufs, before)
                for place, (point, decisions) in enumerate(batch)
            )
        )

    def _one(
        self,
        number: int,
        point: Coordinates,
        decisions: Decisions,
        target_lufs: float,
        known: Sequence[Trial],
    ) -> Trial:
        found = None if self._journal is None else self._journal.find(number)
        if found is not None:
            return found
        guess: Guess = guess_from(known, point, self._ranges)
        trial = self._evaluator.trial(point, decisions, self._ceiling, target_lufs, guess)
        if self._journal is not None:
            self._journal.add(number, trial)
        return trial


Stop = Callable[[], bool]


def never() -> bool:
    """Nobody asks the search to stop."""
    return False
