"""From a mix to its curve: one preparation, a whole search in the middle, short ones outward from there.

Every further point starts from the best of the two nearest points, so that it needs a fraction of the trials. Then,
from loud to quiet, where a point costs more than its louder neighbour, that neighbour's settings are driven less, and
taken where they cost less on the whole song.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from autochain.audio.mix import Mix
from autochain.config.model import Config, Coordinates, Target
from autochain.curve.baselines import baselines_along
from autochain.curve.monotone import make_monotone
from autochain.curve.point import BaselineCosts, Curve, Point, unseen
from autochain.errors import StoppedError
from autochain.progress import Progress, Stop, silent
from autochain.search.baselines import LIMITER_ONLY, TRADE_DEFAULT
from autochain.search.evaluator import Trial
from autochain.search.request import RunOptions, SearchRequest, never
from autochain.search.result import Suggestion
from autochain.search.run import MeasuredMix, Reached, ReadySearch
from autochain.search.seen import SeenMix
from autochain.solve.decisions import Decisions
from autochain.threads import cores, in_threads

# Shares of the budget that a search alone would have.
FIRST_SHARE, NEXT_SHARE = 0.6, 0.25
_SEEDS = 2


@dataclass(slots=True)
class _Found:
    """What one side of the curve came to, by loudness; and loudnesses not tried."""

    at: dict[float, Suggestion] = field(default_factory=dict)
    excerpts: dict[float, dict[str, Trial]] = field(default_factory=dict)
    lost: list[float] = field(default_factory=list)
    ended: bool = False


class Tracer:
    """One run over one mix; each point replaces the target of `config`."""

    def __init__(
        self,
        mix: Mix,
        config: Config,
        decisions: Decisions,
        jobs: int,
        progress: Progress,
        seen: Callable[[Point], None] = unseen,
        *,
        stop: Stop = never,
        mix_seen: SeenMix | None = None,
    ) -> None:
        def show(words: str, share: float) -> None:
            if stop():
                raise StoppedError("Stopped before any loudness of the curve was found.")
            progress(words, share)

        self._request = SearchRequest(mix=mix, config=config, decisions=decisions)
        self._jobs, self._progress = cores() if jobs == -1 else jobs, show
        self._seen, self._mix_seen = seen, mix_seen

    def run(self, targets: Sequence[float]) -> Curve:
        """Trace the curve through `targets`, in LUFS from quiet to loud."""
        middle = self._at(targets[len(targets) // 2])
        request = replace(self._request, config=self._request.config.model_copy(update={"target": middle}))
        run = RunOptions(jobs=self._jobs, progress=self._progress, seen=self._mix_seen)
        measured = MeasuredMix.of(request, run)
        by_gain = {t: _without_samples(found) for t in targets if (found := measured.by_gain(self._at(t))) is not None}
        for target in by_gain:
            self._seen(_point(target, by_gain, by_gain, _of_gain(by_gain[target])))
        rest = [target for target in targets if target not in by_gain]
        if not rest:
            gained = tuple(_point(t, by_gain, by_gain, _of_gain(by_gain[t])) for t in targets)
            return Curve(points=gained, not_tried_lufs=(), not_monotone_found=0)
        ready = measured.ready()
        searched, count = self._search(ready, rest, found=bool(by_gain)), 0
        baselines = {t: _of_gain(own) for t, own in by_gain.items()}
        found_at = by_gain | searched.at

        def as_known() -> list[Point]:
            return [_point(t, found_at, by_gain, baselines.get(t, {})) for t in targets if t in found_at]

        ended, points = searched.ended, as_known()
        if not ended:
            try:
                self._progress("verifying the baselines", 0.0)
                along = [self._at(t) for t in sorted(searched.excerpts)]
                baselines |= baselines_along(ready, along, searched.excerpts)
                points = as_known()
                points, count = make_monotone(ready, self._at, points)
            except StoppedError:  # with what is known until then
                ended = True
        left = [t for t in targets if t not in found_at and t not in searched.lost]
        return Curve(
            points=tuple(points),
            not_tried_lufs=tuple(sorted(searched.lost)),
            not_monotone_found=count,
            ended=ended,
            left_lufs=tuple(left),
        )

    def _search(self, ready: ReadySearch, rest: Sequence[float], *, found: bool) -> _Found:
        """The middle first, then louder and quieter side by side: neither knows of the other.

        Stopped, it gives what was found until then; StoppedError where that is nothing, and nothing was `found` before.
        """
        place = len(rest) // 2
        middle, louder, quieter = rest[place], rest[place + 1 :], rest[:place][::-1]
        try:
            first = ready.reach(self._at(middle), budget=self._budget(FIRST_SHARE), brief=True)
        except StoppedError:
            if found:
                return _Found(ended=True)
            raise
        self._seen(_point(middle, {middle: first.suggestion}, (), {}))
        best = first.baseline_points()
        families = {name: best[name] for name in best if name in (LIMITER_ONLY, TRADE_DEFAULT)}
        finished = [1]

        def show(_: str, __: float) -> None:
            self._progress(f"{finished[0]} of {len(rest)} loudnesses found", finished[0] / len(rest))

        sides = min(2, self._jobs)
        beside = ready.run_with(jobs=max(1, self._jobs // sides), progress=show)
        calls = [partial(self._along, beside, first, (middle, *side), families, finished) for side in (louder, quieter)]
        both = in_threads(calls, sides)
        return _Found(
            at=both[0].at | both[1].at,
            excerpts=both[0].excerpts | both[1].excerpts,
            lost=[*both[0].lost, *both[1].lost],
            ended=both[0].ended or both[1].ended,
        )

    def _along(
        self,
        ready: ReadySearch,
        first: Reached,
        targets: Sequence[float],
        families: Mapping[str, Coordinates],
        finished: list[int],
    ) -> _Found:
        """From a target reached to those further and further away."""
        found, known = _Found(), dict[float, Reached]()
        for target in targets:
            unmet = [t for t, s in found.at.items() if not s.chosen.met]
            if unmet and target > min(unmet):
                found.lost.append(target)
                continue
            near = sorted(known, key=lambda t: abs(t - target))[:_SEEDS]
            budget = self._budget(NEXT_SHARE if near else FIRST_SHARE)
            after = [known[t] for t in near]
            start = target == targets[0]
            try:
                reached = first if start else ready.reach(self._at(target), budget=budget, after=after, brief=True)
            except StoppedError:  # half a search is no point of a curve
                found.ended = True
                break
            found.at[target] = reached.suggestion
            if not start:
                self._seen(_point(target, found.at, (), {}))
            if reached.point is not None and reached.suggestion.chosen.met:
                known[target] = reached
            found.excerpts[target] = {name: reached.baseline(name, point) for name, point in families.items()}
            finished[0] += 0 if start else 1
        return found

    def _budget(self, share: float) -> int:
        return max(2, round(share * self._request.config.search.budget))

    def _at(self, target_lufs: float) -> Target:
        return self._request.config.target.model_copy(update={"lufs": target_lufs, "loudest_part_lufs": None})


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
    seen: Callable[[Point], None] = unseen,
    *,
    stop: Stop = never,
    mix_seen: SeenMix | None = None,
) -> Curve:
    """Best settings of a mix at each of `targets`, in LUFS from quiet to loud.

    `seen` is told each point as it is found, from any thread: before louder points are held against it, and without
    baselines where it was searched. When `stop` says so, the curve ends with the points that were found; StoppedError
    where there is none. `mix_seen` is the mix as it was looked at before.
    """
    decisions = Decisions() if decisions is None else decisions
    return Tracer(mix, config, decisions, jobs, progress, seen, stop=stop, mix_seen=mix_seen).run(targets)
