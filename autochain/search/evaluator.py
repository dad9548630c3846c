"""One point of the search: settings to a solved, rendered and priced trial."""

from dataclasses import dataclass, replace
from typing import Annotated

from pydantic import PlainSerializer, PlainValidator

from autochain.chain.chain import ChainPlan, in_blocks
from autochain.chain.settings import DRIVE, ChainSettings
from autochain.config.coordinates import EARLY
from autochain.config.model import Coordinates, Drive, Weights
from autochain.measure.loudness import HopMeter
from autochain.search.costs import CostReference, Costs, score
from autochain.search.space import outline_at
from autochain.solve.decisions import Decisions
from autochain.solve.drive import Solution, within_slopes
from autochain.solve.material import Material
from autochain.solve.solved import Guess, Solved
from autochain.solve.solver import SILENT_LUFS, Solver
from autochain.solve.work import early_work_db

# A target out of reach costs more than any reachable point, and more the further it is missed.
OUT_OF_REACH = 100.0
OUT_OF_REACH_PER_LU = 10.0
# One LU costs up to eight points of score, so that this much is 0.016 of it at most.
EXACT_LU = 0.002
_MOST_EXACT_RENDERS = 3
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
        self.reference = CostReference(material)

    def warm(self) -> None:
        """Build everything that is cached now, so that parallel trials only read it."""
        self.reference.warm()

    def trial(
        self, coordinates: Coordinates, decisions: Decisions, ceiling_dbtp: float, aim: Aim, guess: Guess
    ) -> Trial:
        """Evaluate one point of the search space."""
        solved = self.solve(outline_at(coordinates, decisions, ceiling_dbtp, self.chain), aim.lufs, guess)
        return self.price(solved, aim, coordinates)

    def price(self, solved: Solved, aim: Aim, coordinates: Coordinates | None = None) -> Trial:
        """Measure the costs of a solved chain and weigh them."""
        costs = self.reference.costs(solved)
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

    def score_per_lu(self, quieter: Solved, louder: Solved) -> float:
        """What a LU more costs a chain between two renders of it, at least 0."""
        low, high = (score(self.reference.costs(solved), self.weights) for solved in (quieter, louder))
        rise_lu = louder.solution.reached_lufs - quieter.solution.reached_lufs
        return max(0.0, (high - low) / rise_lu) if rise_lu > 0.0 else 0.0

    def costs_at(self, solved: Solved, lufs: float) -> Costs:
        """Costs of a whole song's chain at a very loudness: its drive moves by hundredths of a dB, off a hand's steps.

        Chains are compared there, since which is louder is not better. The song is rendered and compared in blocks.
        """
        (song,) = solved.before_peaks
        drive_db, reached, settings = solved.settings[DRIVE]["gain_db"], solved.solution.reached_lufs, solved.settings
        slope = within_slopes(solved.solution.slope)
        for turn in range(_MOST_EXACT_RENDERS):
            if abs(reached - lufs) > EXACT_LU:
                was_db, was_lufs = drive_db, reached
                drive_db -= (reached - lufs) / slope
                settings = settings.with_(DRIVE, gain_db=drive_db)
            elif turn:
                break
            running, meter = self.running(song.shape[1], settings), self.reference.meter()
            loudness = HopMeter(self.material.rate_hz, song.shape[1])
            for piece in running.run(in_blocks(song)):
                loudness.push(piece)
                meter.push(piece)
            hops = [loudness.result()]
            heard = self.material.wanted_lufs(hops)
            reached = SILENT_LUFS if heard is None else heard
            if drive_db != solved.settings[DRIVE]["gain_db"]:
                slope = within_slopes((reached - was_lufs) / (drive_db - was_db))
        at = replace(solved, settings=settings, hops=hops, traces=[{**solved.traces[0], **running.traces}])
        return self.reference.priced(at, meter.result())
