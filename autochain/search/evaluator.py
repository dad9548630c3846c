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
class Aim:
    """Loudness that a trial is solved for, and what a LU more of it costs: scores are those at the very loudness."""

    lufs: float
    score_per_lu: float = 0.0


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
        Costs of that render, and their weighted sum at the very loudness aimed at (with a penalty when out of reach).
    loss_db
        Drive beyond what gain alone would have needed: loudness given up to the peak stages.
    early_work_db
        What the compressors and the clipper take in the loud parts.
    """

    coordinates: Coordinates | None
    settings: StoredSettings
    solution: Solution
    costs: Costs
    score: float
    loss_db: float
    early_work_db: float


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
        self, coordinates: Coordinates, decisions: Decisions, ceiling_dbtp: float, aim: Aim, guess: Guess
    ) -> Trial:
        """Evaluate one point of the search space."""
        solved = self.solve(outline_at(coordinates, decisions, ceiling_dbtp, self.chain), aim.lufs, guess)
        return self.price(solved, aim, coordinates)

    def price(self, solved: Solved, aim: Aim, coordinates: Coordinates | None = None) -> Trial:
        """Measure the costs of a solved chain and weigh them."""
        costs = self._reference.costs(solved)
        over_lu = solved.solution.reached_lufs - aim.lufs
        price = score(costs, self.weights)
        if solved.solution.met:
            price -= aim.score_per_lu * over_lu
        else:
            price += OUT_OF_REACH + OUT_OF_REACH_PER_LU * abs(over_lu)
        return Trial(
            coordinates=coordinates,
            settings=solved.settings,
            solution=solved.solution,
            costs=costs,
            score=price,
            loss_db=solved.loss_db,
            early_work_db=early_work_db(self.material.reductions(solved.traces, EARLY), self.material.loud_blocks),
        )
