"""Baselines along the curve: one sweep on the excerpts, moved by what the whole song adds at three points."""

from collections.abc import Mapping, Sequence

import numpy as np
from joblib import delayed

from autochain.audio.mix import Mix
from autochain.config.model import Config
from autochain.curve.point import Beside
from autochain.search.costs import NAMES, Costs, score
from autochain.search.run import Search
from autochain.search.trial import Trial
from autochain.search.verify import verify
from autochain.solve.decisions import Decisions
from autochain.solve.solved import Guess


def besides(
    search: Search,
    mix: Mix,
    configs: Sequence[Config],
    excerpts: Mapping[float, Mapping[str, Trial]],
    decisions: Mapping[str, Decisions],
) -> dict[float, dict[str, Beside]]:
    """Baselines by target and name.

    Parameters
    ----------
    search
        Ready, for its whole-song evaluator.
    mix
        The mix.
    configs
        One a target, from quiet to loud.
    excerpts
        Trials of every baseline on the excerpts, by target.
    decisions
        What binds each baseline.
    """
    targets = [c.target.loudness_lufs for c in configs]
    found: dict[float, dict[str, Beside]] = {t: {} for t in targets}
    for name, binds in decisions.items():
        reached = [c for c in configs if excerpts[c.target.loudness_lufs][name].solution.met]
        # Where it comes short, costs of whatever loudness it got to compare with nothing.
        anchors = {k: reached[k] for k in sorted({0, len(reached) // 2, len(reached) - 1}) if reached}
        at: list[float] = []
        adds: list[list[float]] = []
        trials = [excerpts[config.target.loudness_lufs][name] for config in anchors.values()]
        verified = search.parallel(
            delayed(verify)(name, t.settings, mix, search.song, c.target, binds, Guess(loss_db=t.loss_db))
            for c, t in zip(anchors.values(), trials, strict=True)
        )
        for config, trial, whole in zip(anchors.values(), trials, verified, strict=True):
            target = config.target.loudness_lufs
            found[target][name] = Beside(costs=whole.costs, score=whole.score, met=whole.met, verified=True)
            if whole.met:
                at.append(target)
                adds.append([getattr(whole.costs, n) - getattr(trial.costs, n) for n in NAMES])
        for config in configs:
            target = config.target.loudness_lufs
            if name in found[target]:
                continue
            trial = excerpts[target][name]
            costs = trial.costs
            if at:
                costs = Costs(
                    **{
                        n: getattr(costs, n) + float(np.interp(target, at, [row[k] for row in adds]))
                        for k, n in enumerate(NAMES)
                    }
                )
            found[target][name] = Beside(
                costs=costs, score=score(costs, config.weights), met=bool(at) and trial.solution.met, verified=False
            )
    return found
