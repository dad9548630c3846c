"""The chains every suggestion has to beat: limiter alone, clipper plus limiter, and the trade default."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from autochain.config.coordinates import SWITCHING
from autochain.config.model import Baselines, Coordinates, Ranges
from autochain.search.evaluator import Trial
from autochain.search.space import to_vector
from autochain.search.surrogate import Surrogate, features

LIMITER_ONLY = "limiter_only"
CLIP_AND_LIMIT = "clip_and_limit"
TRADE_DEFAULT = "trade_default"
# The same under the engineer's locks, where these touch them; without locks in force each is one chain.
LIMITER_LOCKED = "limiter_only_locked"
CLIP_LOCKED = "clip_and_limit_locked"
WITH_LOCKS = {LIMITER_ONLY: LIMITER_LOCKED, CLIP_AND_LIMIT: CLIP_LOCKED}
# As a reader knows them.
BASELINE_WORDS = {
    LIMITER_ONLY: "limiter alone",
    LIMITER_LOCKED: "limiter alone, locked",
    CLIP_AND_LIMIT: "clipper with limiter",
    CLIP_LOCKED: "clipper with limiter, locked",
    TRADE_DEFAULT: "trade default",
}

Grids = Mapping[str, Sequence[Coordinates]]
Family = tuple[str, Coordinates]
# After the corners and the middle of a grid: so many more points, one after the other, where the best is expected.
_MORE = 3


def baseline_grids(trade_default: Coordinates, plan: Baselines) -> dict[str, list[Coordinates]]:
    """Points of every baseline by the name of its family, the trade default first; the best stands for the family."""
    bare = trade_default.model_copy(update={c.name: 0.0 for c in SWITCHING})
    grids = {TRADE_DEFAULT: [trade_default]}
    for family, share, softness in (
        (LIMITER_ONLY, 0.0, bare.clip_softness),
        (CLIP_AND_LIMIT, plan.clip_share, plan.clip_softness),
    ):
        grids[family] = [
            bare.model_copy(
                update={
                    "clip_share": share,
                    "clip_softness": softness,
                    "limiter_release_ms": release,
                    "limiter_lookahead_ms": lookahead,
                }
            )
            for release in plan.release_ms
            for lookahead in plan.lookahead_ms
        ]
    return grids


def corners(grids: Grids) -> list[Family]:
    """The first, the middle and the last point of every grid: fast, medium and slow."""
    found = []
    for family, points in grids.items():
        places = dict.fromkeys((0, len(points) // 2, len(points) - 1))
        found += [(family, points[place]) for place in places]
    return found


def most_to_tune(grids: Grids) -> int:
    """How many points `tuned` tries at most."""
    return sum(min(_MORE, max(0, len(points) - 3)) for points in grids.values())


def tuned(
    grids: Grids,
    tried: Sequence[tuple[str, Trial]],
    ranges: Ranges,
    evaluate: Callable[[Sequence[Family]], Sequence[Trial]],
) -> None:
    """Try those points of every grid at which a model of the family's own trials expects the best.

    Parameters
    ----------
    grids
        Points by family.
    tried
        Trials by family; grows as `evaluate` adds to it.
    ranges
        The scale on which points are near.
    evaluate
        Evaluates points and adds them to `tried`; gives none once the search is stopped.
    """
    for _ in range(_MORE):
        asked = [(name, point) for name, points in grids.items() for point in _promising(name, points, tried, ranges)]
        if not asked or not evaluate(asked):
            break


def _promising(
    family: str, points: Sequence[Coordinates], tried: Sequence[tuple[str, Trial]], ranges: Ranges
) -> list[Coordinates]:
    known = {t.coordinates: t.score for name, t in tried if name == family and t.coordinates is not None}
    left = [point for point in points if point not in known]
    if not left or len(known) < 2:
        return left[:1]
    places = np.array([to_vector(point, ranges) for point in (*known, *left)])
    seen, scores = features(places), np.array(list(known.values()))
    mean, _ = Surrogate().fit(seen[: len(known)], np.log1p(scores - scores.min())).expect(seen[len(known) :])
    return [left[int(np.argmin(np.round(mean, 9)))]]
