"""From a mix to its curve: one preparation, a whole search in the middle, short ones outward from there.

Every further point starts from the best of the two nearest points, so that it needs a fraction of the trials. Then,
from loud to quiet, where a point costs more than its louder neighbour, that neighbour's settings are driven less, and
taken where they cost less on the whole song.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from autochain.audio.mix import Mix
from autochain.config.model import Config, Coordinates, Target
from autochain.curve.baselines import baselines_along
from autochain.curve.monotone import make_monotone
from autochain.curve.point import BaselineCosts, Curve, Point
from autochain.curve.targets import loudness_name
from autochain.progress import Progress, silent
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.evaluator import Trial
from autochain.search.request import RunOptions, SearchRequest
from autochain.search.result import Suggestion
from autochain.search.run import MeasuredMix, Reached, ReadySearch
from autochain.solve.decisions import Decisions

# Shares of the budget that a search alone would have.
FIRST_SHARE, NEXT_SHARE = 0.6, 0.25
_SEEDS = 2


class Tracer:
    """One run over one mix; each point replaces the target of `config`."""

    def __init__(self, mix: Mix, config: Config, decisions: Decisions, jobs: int, progress: Progress) -> None:
        self._request = SearchRequest(mix=mix, config=config, decisions=decisions)
        self._jobs, self._progress = jobs, progress
        self._phase, self._done = "", 0.0

    def run(self, targets: Sequence[float]) -> Curve:
        """Trace the curve through `targets`, in LUFS from quiet to loud."""
        middle = self._at(targets[len(targets) // 2])
        request = replace(self._request, config=self._request.config.model_copy(update={"target": middle}))
        measured = MeasuredMix.of(request, RunOptions(jobs=self._jobs, progress=self._show))
        by_gain = {t: _without_samples(found) for t in targets if (found := measured.by_gain(self._at(t))) is not None}
        rest = [target for target in targets if target not in by_gain]
        if not rest:
            points = [_point(t, by_gain, by_gain, _of_gain(by_gain[t])) for t in targets]
            return Curve(points=tuple(points), not_tried_lufs=(), not_monotone_found=0)
        ready = measured.ready()
        found_at, excerpts, lost = self._search(ready, by_gain, rest)
        self._phase, self._done = "", 1.0
        self._show("verifying the baselines", 0.0)
        baselines = {t: _of_gain(found) for t, found in by_gain.items()}
        baselines |= baselines_along(ready, [self._at(t) for t in sorted(excerpts)], excerpts)
        points = [_point(t, found_at, by_gain, baselines.get(t, {})) for t in targets if t in found_at]
        points, count = make_monotone(ready, self._at, points)
        return Curve(points=tuple(points), not_tried_lufs=tuple(sorted(lost)), not_monotone_found=count)

    def _search(
        self, ready: ReadySearch, by_gain: Mapping[float, Suggestion], rest: Sequence[float]
    ) -> tuple[dict[float, Suggestion], dict[float, dict[str, Trial]], list[float]]:
        """Results by loudness, baselines on the excerpts there, and loudnesses not tried."""
        found_at = dict(by_gain)
        known: dict[float, Reached] = {}
        excerpts: dict[float, dict[str, Trial]] = {}
        lost: list[float] = []
        families: Mapping[str, Coordinates] = {}
        for place, target in enumerate(_outward(rest)):
            unmet = [t for t, s in found_at.items() if not s.chosen.met]
            if unmet and target > min(unmet):
                lost.append(target)
                continue
            self._phase, self._done = f"{loudness_name(target)} LUFS: ", place / len(rest)
            near = sorted(known, key=lambda t: (abs(t - target), t))[:_SEEDS]
            budget = max(2, round((NEXT_SHARE if near else FIRST_SHARE) * self._request.config.search.budget))
            after = [known[t] for t in near]
            reached = ready.reach(self._at(target), budget=budget, after=after, brief=True)
            found_at[target] = _without_samples(reached.suggestion)
            if reached.point is not None and reached.suggestion.chosen.met:
                known[target] = replace(reached, suggestion=found_at[target])  # without its song
            if not families:
                best = reached.baseline_points()
                families = {name: best[name] for name in best if name in (LIMITER_ONLY, TRADE_DEFAULT)}
            excerpts[target] = {name: reached.baseline(name, point) for name, point in families.items()}
        return found_at, excerpts, lost

    def _at(self, target_lufs: float) -> Target:
        return self._request.config.target.model_copy(update={"lufs": target_lufs, "loudest_part_lufs": None})

    def _show(self, phase: str, done: float) -> None:
        self._progress(self._phase + phase, self._done)


def _outward(targets: Sequence[float]) -> list[float]:
    """From the middle: that one, then all louder, then all quieter."""
    middle = len(targets) // 2
    return [*targets[middle:], *reversed(targets[:middle])]


def _without_samples(found: Suggestion) -> Suggestion:
    nothing = np.zeros((0, found.samples.shape[1]), dtype=found.samples.dtype)
    return replace(found, samples=nothing)


def _of_gain(found: Suggestion) -> dict[str, BaselineCosts]:
    return {
        name: BaselineCosts(costs=v.costs, score=v.score, met=v.met, verified=True)
        for name, v in found.baselines.items()
    }


def _point(
    lufs: float, found_at: Mapping[float, Suggestion], by_gain: Collection[float], baselines: dict[str, BaselineCosts]
) -> Point:
    return Point(target_lufs=lufs, found=found_at[lufs], by_gain=lufs in by_gain, baselines=baselines)


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
