"""Trials of one batch in parallel, numbered in the order asked, kept in the journal as they finish."""

from collections.abc import Sequence
from functools import partial

from autochain.config.model import Coordinates
from autochain.search.evaluator import Trial
from autochain.search.request import RunOptions
from autochain.search.staged import Aims, Known, Staged
from autochain.solve.decisions import Decisions

Batch = Sequence[tuple[Coordinates, Decisions]]


class Batches:
    """Evaluates points; what a trial may know of others comes from earlier batches alone.

    Parameters
    ----------
    staged
        Over the excerpts.
    limiter_ceiling_dbtp
        The limiter's own ceiling in every trial.
    run
        How many at the same time; its journal keeps trials, and gives those that an earlier run has evaluated.
    """

    def __init__(self, staged: Staged, limiter_ceiling_dbtp: float, run: RunOptions) -> None:
        self._staged = staged
        self._ceiling = limiter_ceiling_dbtp
        self._run = run
        self._asked = 0

    def evaluate(self, batch: Batch, aims: Aims, known: Known) -> list[Trial]:
        """Evaluate points, each under its decisions; returns the trials in the order asked."""
        first, self._asked = self._asked, self._asked + len(batch)
        return self._run.in_parallel(
            partial(self._one, first + place, point, decisions, aims, known)
            for place, (point, decisions) in enumerate(batch)
        )

    def _one(self, number: int, point: Coordinates, decisions: Decisions, aims: Aims, known: Known) -> Trial:
        journal = self._run.journal
        found = None if journal is None else journal.find(number)
        if found is not None:
            return found
        trial = self._staged.trial(point, decisions, self._ceiling, aims, known)
        if journal is not None:
            journal.add(number, trial)
        return trial
