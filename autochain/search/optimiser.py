"""The only protocol a sampler has to speak: ask for points, be told what came of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from autochain.config.model import Coordinates


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a sampler may know of a point; lower is better throughout.

    Attributes
    ----------
    score
        Weighted sum of the costs, with the penalty where the target was out of reach.
    objectives
        One to three sums of costs for samplers that look for a front; no penalty in them.
    met
        Whether the target was reached.
    pruned
        True when score and objectives are estimates from a part of the excerpts; they count like any others.
    """

    score: float
    objectives: tuple[float, ...]
    met: bool
    pruned: bool


class Optimiser(Protocol):
    """Proposes points; knows nothing of sound.

    The same seed and the same calls give the same points, so whoever repeats the calls has the sampler as it was.
    """

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points to evaluate, all inside the ranges."""
        ...

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        """Take the outcomes of all points last asked for, in the order asked."""
        ...

    def known(self, point: Coordinates, outcome: Outcome) -> None:
        """Take a point that was evaluated without being asked for; it may lie outside the ranges."""
        ...
