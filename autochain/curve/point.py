"""One loudness of a curve: what was found there, and what the baselines cost beside it."""

from dataclasses import dataclass

from autochain.search.costs import Costs
from autochain.search.result import OnSheet, Suggestion


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineCosts:
    """A baseline at one loudness.

    Attributes
    ----------
    costs, score
        Costs on the whole song and their weighted sum.
    met
        Whether it gets that loud under the ceiling.
    verified
        False where the costs are those of the excerpts, moved by what the whole song added at its verified neighbours.
    """

    costs: Costs
    score: float
    met: bool
    verified: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """The best settings at one loudness.

    Attributes
    ----------
    target_lufs
        Loudness wanted.
    found
        The result, verified on the whole song; its samples are not kept.
    by_gain
        Whether a gain alone was enough.
    baselines
        By name.
    taken_from_lufs
        The louder point whose settings, driven less, cost less than what was found here; None for the point's own.
    """

    target_lufs: float
    found: Suggestion
    by_gain: bool
    baselines: dict[str, BaselineCosts]
    taken_from_lufs: float | None = None

    @property
    def chosen(self) -> OnSheet:
        """The chain."""
        return self.found.chosen

    @property
    def met(self) -> bool:
        """Whether the loudness is reached under the ceiling."""
        return self.found.chosen.met


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Points from quiet to loud, and the loudnesses that were not tried because a quieter one was out of reach.

    `not_monotone_found` counts the points that the search left costing more than the next louder one. A curve that was
    stopped is `ended` before its time: `left_lufs` were not searched, and points may be without baselines.
    """

    points: tuple[Point, ...]
    not_tried_lufs: tuple[float, ...]
    not_monotone_found: int
    ended: bool = False
    left_lufs: tuple[float, ...] = ()

    @property
    def reached(self) -> tuple[Point, ...]:
        """Points that meet their target."""
        return tuple(p for p in self.points if p.met)

    @property
    def searched(self) -> tuple[Point, ...]:
        """Points that meet their target by more than a gain."""
        return tuple(p for p in self.reached if not p.by_gain)


def unseen(point: Point) -> None:
    """Nobody looks at a curve before it is whole."""
