"""Which of the verified chains is suggested, and what stands beside it."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from autochain.chain.settings import CLIPPER
from autochain.config.model import Config
from autochain.search.baselines import LIMITER_LOCKED, LIMITER_ONLY, TRADE_DEFAULT, WITH_LOCKS
from autochain.search.evaluator import Trial
from autochain.search.front import SIDES, cost_spread, neighbours
from autochain.search.result import SearchStats, Verified
from autochain.search.space import on_edge, switched
from autochain.search.spent import Spent
from autochain.search.verify import SUGGESTION
from autochain.solve.decisions import Decisions

_SHOWN = (LIMITER_ONLY, LIMITER_LOCKED, TRADE_DEFAULT)  # baselines that a sheet lists
# Beyond what a simple chain may lose. Behind the best, a clipper with a limiter is by no more than 0.45 nearer on the
# song than on the excerpts: nine recordings, at gain alone and 4 to 9 dB more.
_HOPELESS = 0.5
_WITH_CLIPPER = "with_clipper"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choice:
    """What is suggested.

    Attributes
    ----------
    chosen
        The chain, verified.
    trial, decisions
        The trial it came from, and what bound that.
    baselines
        What the sheet lists beside it, by name.
    neighbours
        Its neighbours by side.
    stats
        How the search went.
    """

    chosen: Verified
    trial: Trial
    decisions: Decisions
    baselines: dict[str, Verified]
    neighbours: dict[str, Verified]
    stats: SearchStats


def contenders_of(
    spent: Spent, config: Config, *, own_clipper: bool = False
) -> dict[str, tuple[Trial, Decisions]]:
    """Trials that are to be verified on the whole song, with what binds each: the best, its sides, baselines.

    A baseline that no sheet lists is there to be suggested, or to be the least that locks cost: not where the excerpts
    have it too far behind for either. Where the user has a clipper of their own and the best has none, the best that
    has one is among them: what a limiter of theirs does worse than ours a clipper ahead of it may spare it.
    """
    searched = {SUGGESTION: spent.best, **spent.neighbours}
    if own_clipper and CLIPPER not in spent.best.settings:
        near = spent.best.score + config.search.chain_earns + _HOPELESS
        clipped = [t for t in spent.done if t.solution.met and CLIPPER in t.settings and t.score <= near]
        # The fewer stages, the less else of the chain changes.
        clipped = [t for t in clipped if len(t.settings) <= len(spent.best.settings) + 1]
        if clipped:
            searched[_WITH_CLIPPER] = min(clipped, key=lambda t: t.score)
    own = {name: (trial, spent.binding.searched) for name, trial in searched.items()}
    most = spent.best.score + config.search.chain_earns + _HOPELESS if spent.best.solution.met else math.inf
    families = {n: t for n, t in spent.best_of_families().items() if n in _SHOWN or t.score <= most}
    return own | {name: (trial, spent.binding.of_family(name)) for name, trial in families.items()}


def choose(
    spent: Spent,
    verified: Sequence[Verified],
    config: Config,
    on_tools: Callable[[Verified], float] | None = None,
) -> Choice:
    """Choose among the verified contenders of a search; `on_tools` gives the score of one on the user's tools."""
    by_name = {v.name: v for v in verified}
    allowed = [v for v in verified if spent.binding.honoured_by(v.settings)]
    best = min(allowed, key=lambda v: (v.miss_lu(config.target), v.score))
    earns, saved = config.search.chain_earns, None
    chosen = best if spent.binding.near is not None else _simple_enough(best, allowed, earns)
    if on_tools is not None:
        chosen, saved = with_clipper(chosen, allowed, on_tools, earns)
    # Sides are told on the whole song, where another of them may be the best.
    others = [by_name[n] for n in (SUGGESTION, *SIDES) if n in by_name and by_name[n] is not chosen]
    sides = neighbours(
        chosen, [chosen, *(v for v in others if v.met)], config.weights, config.search.neighbours_within
    )
    trial, decisions = contenders_of(spent, config, own_clipper=on_tools is not None)[chosen.name]
    if chosen.name in (*SIDES, _WITH_CLIPPER):
        chosen = replace(chosen, name=SUGGESTION)
    # The search may have come back to a baseline's very settings.
    twins = [v.name for v in verified if v.settings == chosen.settings and v.name in _SHOWN]
    point = None if trial.coordinates is None else switched(trial.coordinates)
    heard = [t for t in spent.done if t.solution.met]
    return Choice(
        chosen=chosen,
        trial=trial,
        decisions=decisions,
        baselines={name: by_name[name] for name in _SHOWN if name in by_name},
        neighbours={side: replace(v, name=side) for side, v in sides.items()},
        stats=SearchStats(
            trials=len(spent.done),
            feasible=len(heard),
            on_edge=() if point is None else on_edge(point, config.search.ranges, spent.binding.decided.locks),
            mean_renders=float(np.mean([t.solution.renders for t in spent.done])),
            chosen_from=twins[0] if twins else chosen.name,
            complete=spent.complete,
            coordinates=point,
            spread=cost_spread(heard),
            forgone=best if saved is None and chosen.score > best.score else None,
            saved_by_clipper=saved,
        ),
    )


def with_clipper(
    chosen: Verified, allowed: Sequence[Verified], on_tools: Callable[[Verified], float], earns: float
) -> tuple[Verified, float | None]:
    """The chosen chain, or the best with a clipper where it has none and that one earns its stage on the user's tools.

    Also the points that it saves there; None where the chosen stays.

    Parameters
    ----------
    chosen, allowed
        The chain that is suggested without tools, and all that may be.
    on_tools
        Score of a chain on the tools.
    earns
        Points that a chain has to save.
    """
    clipped = [v for v in allowed if CLIPPER in v.settings and v.met and v.score <= chosen.score + _HOPELESS]
    if not chosen.met or CLIPPER in chosen.settings or not clipped:
        return chosen, None
    other = min(clipped, key=lambda v: v.score)
    saved = on_tools(chosen) - on_tools(other)
    return (other, saved) if saved > earns else (chosen, None)


def _simple_enough(best: Verified, allowed: Sequence[Verified], earns: float) -> Verified:
    """The best, or a limiter alone or clipper with limiter over which it gains too little for its stages."""
    if not best.met:
        return best
    simple = [
        v
        for v in allowed
        if v.name in {*WITH_LOCKS, *WITH_LOCKS.values()}
        and v.met
        and v.score <= best.score + earns
        and len(v.settings) < len(best.settings)
    ]
    return min([*simple, best], key=lambda v: (len(v.settings), v.score))
