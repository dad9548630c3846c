"""From a mix to its curve: one preparation, a whole search in the middle, short ones outward from there.

Every further point starts from the best of the two nearest points, so that it needs a third of the trials. Then
dents are looked for from loud to quiet: where a point costs more than its louder neighbour, that neighbour's settings
are driven less, and taken where they cost less on the whole song.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from autochain.audio.mix import Mix
from autochain.config.model import Config, Coordinates
from autochain.curve.beside import besides
from autochain.curve.dents import mend
from autochain.curve.point import Beside, Curve, Point
from autochain.curve.targets import name_of
from autochain.progress import Progress, silent
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.result import Suggestion
from autochain.search.run import Search
from autochain.search.trial import Trial
from autochain.solve.decisions import Decisions

# Shares of the budget that a search alone would have.
FIRST_SHARE, NEXT_SHARE = 0.6, 0.2
_SEEDS = 2


class Tracer:
    """One run over one mix; the parameters are those of `search.run.Search`, whose target is replaced by each point."""

    def __init__(self, mix: Mix, config: Config, decisions: Decisions, jobs: int, progress: Progress) -> None:
        self._config = config
        self._progress = progress
        self._phase = ""
        self._done = 0.0
        self._mix, self._decisions, self._jobs = mix, decisions, jobs

    def run(self, targets: Sequence[float]) -> Curve:
        """Trace the curve through `targets`, in LUFS from quiet to loud."""
        middle = targets[len(targets) // 2]
        self.search = search = Search(self._mix, self._at(middle), self._decisions, self._jobs, self._show)
        search.measure()
        plain: dict[float, Suggestion] = {}
        for target in targets:
            found = search.by_gain(self._at(target))
            if found is not None:
                plain[target] = _without_samples(found)
        rest = [target for target in targets if target not in plain]
        found_at, beside = dict(plain), {t: _of_plain(s) for t, s in plain.items()}
        seeds: dict[float, Coordinates] = {}
        excerpts: dict[float, dict[str, Trial]] = {}
        decisions: dict[str, Decisions] = {}
        lost: list[float] = []
        if rest:
            search.ready()
            families: Mapping[str, Coordinates] = {}
            for place, target in enumerate(_outward(rest)):
                unmet = [t for t, s in found_at.items() if not s.chosen.met]
                if unmet and target > min(unmet) and target not in plain:
                    lost.append(target)
                    continue
                self._phase, self._done = f"{name_of(target)} LUFS: ", place / len(rest)
                near = sorted(seeds, key=lambda t: (abs(t - target), t))[:_SEEDS]
                share = NEXT_SHARE if near else FIRST_SHARE
                config = self._at(target, share)
                found = search.reach(config, tuple(dict.fromkeys(seeds[t] for t in near)), brief=True)
                found_at[target] = _without_samples(found)
                point = found.stats.coordinates
                if found.stats.forgone is not None:
                    point = search.trials.best.coordinates  # the next point may need what this one need not have
                if point is not None and found.chosen.met:
                    seeds[target] = point
                if not families:
                    families = _best_of_families(search)
                    decisions = {name: search.trials.decisions_for(name) for name in families}
                excerpts[target] = {name: search.trials.beside(name, point) for name, point in families.items()}
            self._phase, self._done = "", 1.0
            self._show("verifying what is beside", 0.0)
            beside |= besides(search, self._mix, [self._at(t) for t in sorted(excerpts)], excerpts, decisions)
        points = [
            Point(target_lufs=t, found=found_at[t], by_gain=t in plain, beside=beside.get(t, {}))
            for t in targets
            if t in found_at
        ]
        points, dents = mend(search, self._mix, lambda lufs: self._at(lufs).target, points)
        return Curve(points=tuple(points), not_tried_lufs=tuple(sorted(lost)), dents=dents)

    def _at(self, target_lufs: float, share: float = 1.0) -> Config:
        config = self._config
        target = config.target.model_copy(update={"lufs": target_lufs, "loudest_part_lufs": None})
        budget = max(2, round(share * config.search.budget))
        return config.model_copy(
            update={"target": target, "search": config.search.model_copy(update={"budget": budget})}
        )

    def _show(self, phase: str, done: float) -> None:
        self._progress(self._phase + phase, self._done)


def _outward(targets: Sequence[float]) -> list[float]:
    """From the middle: that one, then all louder, then all quieter."""
    middle = len(targets) // 2
    return [*targets[middle:], *reversed(targets[:middle])]


def _without_samples(found: Suggestion) -> Suggestion:
    nothing = np.zeros((0, found.samples.shape[1]), dtype=found.samples.dtype)
    return replace(found, samples=nothing)


def _of_plain(found: Suggestion) -> dict[str, Beside]:
    return {
        name: Beside(costs=v.costs, score=v.score, met=v.met, verified=True) for name, v in found.baselines.items()
    }


def _best_of_families(search: Search) -> Mapping[str, Coordinates]:
    """The best limiter alone of the first search, and the trade default."""
    best = {name: trial.coordinates for name, (trial, _) in search.trials.rivals().items()}
    return {name: point for name, point in best.items() if point is not None and name in (LIMITER_ONLY, TRADE_DEFAULT)}


def trace(
    mix: Mix,
    config: Config,
    targets: Sequence[float],
    decisions: Decisions | None = None,
    jobs: int = 1,
    progress: Progress = silent,
) -> Curve:
    """Best settings of a mix at each of `targets`, in LUFS from quiet to loud."""
    return Tracer(mix, config, Decisions() if decisions is None else decisions, jobs, progress).run(targets)
