"""One point of the search: settings to a solved, rendered and priced trial."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import PlainSerializer, PlainValidator

from autochain.chain.chain import ChainPlan
from autochain.chain.settings import ChainSettings
from autochain.config.coordinates import EARLY
from autochain.config.model import Coordinates, Drive, Weights
from autochain.search.costs import CostReference, Costs, score
from autochain.search.space import outline_at
from autochain.solve.decisions import Decisions
from autochain.solve.drive import Solution
from autochain.solve.material import Material
from autochain.solve.solved import Guess, Solved
from autochain.solve.solver import Solver
from autochain.solve.work import early_work_db

# A target out of reach costs more than any reachable point, and more the further it is missed.
OUT_OF_REACH = 100.0
OUT_OF_REACH_PER_LU = 10.0
# In a journal by stage and parameter.
StoredSettings = Annotated[
    ChainSettings, PlainValidator(ChainSettings.from_plain), PlainSerializer(ChainSettings.plain)
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A priced point.

    Attributes
    ----------
    coordinates
        Where the sampler stood; None for fixed settings.
    settings
        Complete chain settings, drive included.
    solution
        How the drive was found and what loudness it gave.
    costs, score
        Costs of that render and their weighted sum (with the penalty when out of reach).
    loss_db
        Drive beyond what gain alone would have needed: loudness given up to the peak stages.
    early_work_db
        What the compressors and the clipper take in the loud parts.
    first_score, first_loss_db
        The same on the first excerpt alone, where that was judged.
    pruned
        True when it was judged on the first excerpt alone: the costs are of that, score and loss are estimates.
    """

    coordinates: Coordinates | None
    settings: StoredSettings
    solution: Solution
    costs: Costs
    score: float
    loss_db: float
    early_work_db: float
    first_score: float | None = None
    first_loss_db: float | None = None
    pruned: bool = False


class Evaluator(Solver):
    """A solver that prices what it has solved; calls are independent of each other and safe in parallel threads."""

    def __init__(self, material: Material, weights: Weights, plan: Drive, chain: ChainPlan) -> None:
        super().__init__(material, plan, chain)
        self.weights = weights
        self._reference = CostReference(material)

    def warm(self) -> None:
        """Build everything that is cached now, so that parallel trials only read it."""
        self._reference.warm()

    def trial(
        self, coordinates: Coordinates, decisions: Decisions, ceiling_dbtp: float, target_lufs: float, guess: Guess
    ) -> Trial:
        """Evaluate one point of the search space."""
        solved = self.solve(outline_at(coordinates, decisions, ceiling_dbtp, self.chain), target_lufs, guess)
        return self.price(solved, target_lufs, coordinates)

    def price(self, solved: Solved, target_lufs: float, coordinates: Coordinates | None = None) -> Trial:
        """Measure the costs of a solved chain and weigh them."""
        costs = self._reference.costs(solved)
        price = score(costs, self.weights)
        if not solved.solution.met:
            price += OUT_OF_REACH + OUT_OF_REACH_PER_LU * abs(solved.solution.reached_lufs - target_lufs)
        return Trial(
            coordinates=coordinates,
            settings=solved.settings,
            solution=solved.solution,
            costs=costs,
            score=price,
            loss_db=solved.loss_db,
            early_work_db=early_work_db(self.material.reductions(solved.traces, EARLY), self.material.loud_blocks),
        )
