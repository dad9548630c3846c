"""Points drawn evenly behind ask/tell: what every other sampler has to beat."""

from collections.abc import Sequence

import numpy as np

from autochain.config.model import Coordinates, Ranges
from autochain.search.optimiser import Outcome
from autochain.search.space import from_vector


class RandomOptimiser:
    """Uniform in the unit cube, time constants on log scales; learns nothing.

    Parameters
    ----------
    ranges
        Where it may go.
    seed
        Seed of its draws.
    """

    def __init__(self, ranges: Ranges, seed: int) -> None:
        self._ranges = ranges
        self._random = np.random.default_rng(seed)

    def ask(self, count: int) -> list[Coordinates]:
        """Return `count` points."""
        places = self._random.random((count, len(Coordinates.model_fields)))
        return [from_vector(place, self._ranges) for place in places]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        """Take outcomes, to no effect."""

    def known(self, point: Coordinates, outcome: Outcome) -> None:
        """Take a point, to no effect."""
