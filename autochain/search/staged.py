"""A trial in two steps: one excerpt first, and the rest only where that leaves a chance.

The first excerpt's score tells the whole score of the excerpts within a few hundredths near the best (rank
correlation 0.94 to 0.98 over all settings, residual 0.03 near the best, on three demo characters), at a quarter of
the cost. So a trial that is clearly behind on it ends there: it is kept as pruned, with the score that the others
let expect, and can never be the best.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from autochain.config.model import Coordinates, Ranges
from autochain.search.evaluator import Evaluator, Trial
from autochain.search.space import switched, to_vector
from autochain.solve.decisions import Decisions
from autochain.solve.solved import Guess, Solved

_NEAREST = 8  # of the best, whose rest tells what to expect
_NEIGHBOURS = 4  # from which a solve takes its start


@dataclass(frozen=True, slots=True, kw_only=True)
class Aims:
    """Loudness of the excerpts, and of the first one alone, at which the whole song meets the target."""

    excerpts_lufs: float
    first_lufs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What earlier batches say about the trials of the next one.

    Attributes
    ----------
    trials
        Trials whose drives were solved: where the next solves start.
    rest
        What the score rises by from the first excerpt to all of them; None when nothing says so yet.
    rest_db
        The same for the level lost to the peak stages.
    bar
        Expected scores above it end a trial after the first excerpt; None judges every trial on all excerpts.
    """

    trials: Sequence[Trial]
    rest: float | None = None
    rest_db: float = 0.0
    bar: float | None = None

    @classmethod
    def of(
        cls, trials: Sequence[Trial], fair: Sequence[Trial], best: float | None, margin: float | None
    ) -> "Known":
        """Gather it.

        Parameters
        ----------
        trials
            Where solves may start from.
        fair
            Those whose scores compare with what comes.
        best
            The best of their scores that may be suggested; None when there is none.
        margin
            How far behind the best an expected score may lie; None lets every trial hear all excerpts.
        """
        both = [t for t in fair if t.first_score is not None and not t.pruned and t.solution.met]
        if not both or best is None:
            return cls(trials=trials)
        # Near the best the two differ most evenly, and only there it matters.
        both = sorted(both, key=lambda t: t.score)[:_NEAREST]
        return cls(
            trials=trials,
            rest=median(t.score - t.first_score for t in both if t.first_score is not None),
            rest_db=median(t.loss_db - t.first_loss_db for t in both if t.first_loss_db is not None),
            bar=None if margin is None else best + margin,
        )


def guess_from(
    trials: Sequence[Trial], coordinates: Coordinates, ranges: Ranges, *, first: bool = False
) -> Guess:
    """Distance-weighted mean of loss and slope over the four nearest solved trials; with `first`, of the first excerpt.

    A trial that never heard the first excerpt alone says what it lost on all.
    """
    solved = [t for t in trials if t.coordinates is not None and t.solution.met]
    if not solved:
        return Guess()
    here = np.array(to_vector(switched(coordinates), ranges))
    there = np.array([to_vector(switched(t.coordinates), ranges) for t in solved if t.coordinates is not None])
    distance = np.sqrt(((there - here) ** 2).sum(axis=1))
    nearest = np.argsort(distance, kind="stable")[:_NEIGHBOURS]
    weight = 1.0 / (distance[nearest] + 0.02)
    weight /= weight.sum()
    lost = [t.first_loss_db if first and t.first_loss_db is not None else t.loss_db for t in solved]
    return Guess(
        loss_db=float(sum(w * lost[i] for w, i in zip(weight, nearest, strict=True))),
        slope=float(sum(w * solved[i].solution.slope for w, i in zip(weight, nearest, strict=True))),
    )


class Staged:
    """Evaluates points on the first excerpt, and on all of them where it is worth it.

    Parameters
    ----------
    excerpts
        Over all excerpts.
    first
        Over one of them; None, for songs hardly longer than their excerpts, judges everything on all.
    place
        Which of the excerpts that is.
    ranges
        Where the sampler goes: the scale on which neighbours are near.
    """

    def __init__(self, excerpts: Evaluator, first: Evaluator | None, place: int, ranges: Ranges) -> None:
        self.excerpts = excerpts
        self._first = first
        self._place = place
        self._ranges = ranges

    def warm(self) -> None:
        """Build every reference now, so that parallel trials only read them."""
        self.excerpts.warm()
        if self._first is not None:
            self._first.warm()

    def aims(self, heard: Solved, missing_lu: float) -> Aims:
        """What to aim at, from a render of the excerpts at which the whole song is `missing_lu` under its target."""
        first = None
        if self._first is not None:
            first = self._first.material.wanted_lufs([heard.hops[self._place]])
        return Aims(
            excerpts_lufs=heard.solution.reached_lufs + missing_lu,
            first_lufs=None if first is None else first + missing_lu,
        )

    def trial(
        self,
        point: Coordinates,
        decisions: Decisions,
        ceiling_dbtp: float,
        aims: Aims,
        known: Known,
    ) -> Trial:
        """Evaluate a point."""
        quick = None
        if self._first is not None and aims.first_lufs is not None:
            guess = guess_from(known.trials, point, self._ranges, first=True)
            quick = self._first.trial(point, decisions, ceiling_dbtp, aims.first_lufs, guess)
        if quick is None or not quick.solution.met:
            # One that cannot reach its aim alone may do so among the others, where it need not be as loud.
            guess = guess_from(known.trials, point, self._ranges)
            return self.excerpts.trial(point, decisions, ceiling_dbtp, aims.excerpts_lufs, guess)
        if known.bar is not None and known.rest is not None and quick.score + known.rest > known.bar:
            return replace(
                quick,
                score=quick.score + known.rest,
                loss_db=quick.loss_db + known.rest_db,
                first_score=quick.score,
                first_loss_db=quick.loss_db,
                pruned=True,
            )
        guess = Guess(loss_db=quick.loss_db + known.rest_db, slope=quick.solution.slope)
        trial = self.excerpts.trial(point, decisions, ceiling_dbtp, aims.excerpts_lufs, guess)
        return replace(trial, first_score=quick.score, first_loss_db=quick.loss_db)
