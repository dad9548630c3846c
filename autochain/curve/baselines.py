"""Baselines along the curve: one sweep on the excerpts, moved by what the whole song adds at three points."""

from collections.abc import Mapping, Sequence

import numpy as np

from autochain.config.model import Target
from autochain.curve.point import BaselineCosts
from autochain.search.costs import COST_NAMES, Costs, score
from autochain.search.evaluator import Trial
from autochain.search.run import ReadySearch
from autochain.search.verify import Contender
from autochain.solve.solved import Guess


def baselines_along(
    ready: ReadySearch, targets: Sequence[Target], excerpts: Mapping[float, Mapping[str, Trial]]
) -> dict[float, dict[str, BaselineCosts]]:
    """Baselines by loudness and name.

    Parameters
    ----------
    ready
        Verifies settings on the whole song.
    targets
        From quiet to loud.
    excerpts
        Trials of every baseline on the excerpts, by loudness.
    """
    weights = ready.measured.request.config.weights
    loudnesses = [target.loudness_lufs for target in targets]
    found: dict[float, dict[str, BaselineCosts]] = {lufs: {} for lufs in loudnesses}
    for name in dict.fromkeys(name for trials in excerpts.values() for name in trials):
        reached = [t for t in targets if excerpts[t.loudness_lufs][name].solution.met]
        # Where it comes short, costs of whatever loudness it got to compare with nothing.
        anchors = [reached[k] for k in sorted({0, len(reached) // 2, len(reached) - 1}) if reached]
        at: list[float] = []
        adds: list[list[float]] = []
        verified = ready.verified([_contender(ready, name, t, excerpts[t.loudness_lufs][name]) for t in anchors])
        for lufs, whole in zip([t.loudness_lufs for t in anchors], verified, strict=True):
            found[lufs][name] = BaselineCosts(costs=whole.costs, score=whole.score, met=whole.met, verified=True)
            if whole.met:
                at.append(lufs)
                costs = excerpts[lufs][name].costs
                adds.append([getattr(whole.costs, n) - getattr(costs, n) for n in COST_NAMES])
        for lufs in loudnesses:
            if name in found[lufs]:
                continue
            trial = excerpts[lufs][name]
            costs = trial.costs
            if at:
                costs = Costs(
                    **{
                        n: getattr(costs, n) + float(np.interp(lufs, at, [row[k] for row in adds]))
                        for k, n in enumerate(COST_NAMES)
                    }
                )
            found[lufs][name] = BaselineCosts(
                costs=costs, score=score(costs, weights), met=bool(at) and trial.solution.met, verified=False
            )
    return found


def _contender(ready: ReadySearch, name: str, target: Target, trial: Trial) -> Contender:
    return Contender(
        name=name,
        settings=trial.settings,
        target=target,
        decisions=ready.binding.of_family(name),
        guess=Guess(slope=trial.solution.slope, drive_db=trial.solution.drive_db),
    )
