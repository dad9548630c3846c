"""The only protocol a sampler has to speak: ask for points, be told their scores."""

from collections.abc import Sequence
from typing import Protocol

from autochain.config.model import Coordinates


class Optimiser(Protocol):
    """Proposes points; knows nothing of sound."""

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points to evaluate."""
        ...

    def tell(self, scores: Sequence[float]) -> None:
        """Take the scores of the points last asked for, in the order asked."""
        ...
