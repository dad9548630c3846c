"""One point of the search: settings to a solved, rendered and priced trial."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated

from pydantic import PlainSerializer, PlainValidator

from autochain.chain.chain import ChainPlan
from autochain.chain.settings import DRIVE, ChainSettings
from autochain.config.coordinates import EARLY
from autochain.config.model import Coordinates, Drive, Weights
from autochain.measure.loudness import HopMeter
from autochain.measure.true_peak import TruePeakMeter
from autochain.search.costs import CostReference, Costs, score
from autochain.search.space import outline_at
from autochain.solve.decisions import Decisions
from autochain.solve.drive import Solution, within_slopes
from autochain.solve.material import Material
from autochain.solve.outline import Outline
from autochain.solve.solved import Guess, Solved
from autochain.solve.solver import SILENT_LUFS, Solver
from autochain.solve.work import early_work_db

# A target out of reach costs more than any reachable point, and more the further it is missed.
OUT_OF_REACH = 100.0
OUT_OF_REACH_PER_LU = 10.0
# One LU costs up to eight points of score, so that this much is 0.024 of it at most.
EXACT_LU = 0.003
_MOST_EXACT_RENDERS = 3
# In a journal by stage and parameter.
StoredSettings = Annotated[
    ChainSettings, PlainValidator(ChainSettings.from_plain), PlainSerializer(ChainSettings.plain)
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """Loudness that a trial is solved for, and what a LU more of it costs: scores are those at the very loudness.

    `over_told_lu` is how much louder the song comes out than `solve.estimate` tells, beyond what the excerpts do.
    """

    lufs: float
    score_per_lu: float = 0.0
    over_told_lu: float = 0.0


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PricedSong:
    """A whole song's chain at a very loudness.

    Attributes
    ----------
    solved
        The chain at the drive that gave it, off a hand's steps; its samples are not kept.
    costs
        Costs of that render.
    early_work_db
        As of a trial.
    """

    solved: Solved
    costs: Costs
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
            early_work_db=self._early_work_db(solved),
        )

    def score_per_lu(self, quieter: Solved, louder: Solved) -> float:
        """What a LU more costs a chain between two renders of it, at least 0."""
        low, high = (score(self.reference.costs(solved), self.weights) for solved in (quieter, louder))
        rise_lu = louder.solution.reached_lufs - quieter.solution.reached_lufs
        return max(0.0, (high - low) / rise_lu) if rise_lu > 0.0 else 0.0

    def at_loudness(self, solved: Solved, lufs: float) -> PricedSong:
        """Price a whole song's chain at a very loudness: its drive moves by hundredths of a dB, off a hand's steps.

        Chains are compared there, since which is louder is not better. The song is rendered and compared in blocks.
        """
        over_lu, slope = solved.solution.reached_lufs - lufs, within_slopes(solved.solution.slope)
        more_db = -over_lu / slope if abs(over_lu) > EXACT_LU else 0.0
        return self._closing_in(solved, solved.settings[DRIVE]["gain_db"] + more_db, slope, lufs)

    def told_at_loudness(
        self, plan: Outline, lufs: float, guess: Guess, readings: Sequence[str]
    ) -> PricedSong | None:
        """The same of a chain that was never rendered, at the drive that the sound ahead of it lets expect.

        None where that is out of reach. The slope so told is right within a few hundredths, so that one render more
        does where the first is not near enough.

        Parameters
        ----------
        plan
            What is solved; its drive is free, and nothing else.
        lufs
            Loudness wanted.
        guess
            Where the drive is looked for, and how much louder than told the chain is known to come out.
        readings
            True-peak readings to take.
        """
        settings, before_peaks, traces = self._dynamics.render(plan)
        hops = self.material.hops_before(before_peaks)
        told = self._told(settings, before_peaks, hops, plan, lufs, guess)
        if told.drive_db is None:
            return None
        begun = Solved(
            settings=settings,
            solution=Solution(drive_db=told.drive_db, reached_lufs=lufs, met=True, slope=told.slope, renders=0),
            loss_db=0.0,
            before_peaks=before_peaks,
            rendered=[],
            traces=traces,
            hops=[],
            true_peak_dbtp=None,
        )
        return self._closing_in(begun, told.drive_db, told.slope, lufs, readings)

    def _closing_in(
        self, begun: Solved, drive_db: float, slope: float, lufs: float, readings: Sequence[str] = ()
    ) -> PricedSong:
        """Render and price at one drive after the other, until the loudness is the very one."""
        (song,) = begun.before_peaks
        rate_hz, channels = self.material.rate_hz, song.shape[1]
        was: tuple[float, float] | None = None
        for renders in range(1, _MOST_EXACT_RENDERS + 1):
            settings = begun.settings.with_(DRIVE, gain_db=drive_db)
            running, meter = self.running(channels, settings), self.reference.meter()
            loudness, peak = HopMeter(rate_hz, channels), TruePeakMeter(rate_hz, channels, readings)
            for piece in running.run(self.blocks(song)):
                loudness.push(piece)
                meter.push(piece)
                if readings:
                    peak.push(piece)
            hops = [loudness.result()]
            heard = self.material.wanted_lufs(hops)
            reached = SILENT_LUFS if heard is None else heard
            if abs(reached - lufs) <= EXACT_LU or renders == _MOST_EXACT_RENDERS:
                break
            if was is not None:
                slope = within_slopes((reached - was[1]) / (drive_db - was[0]))
            was = drive_db, reached
            drive_db -= (reached - lufs) / slope
        solved = replace(
            begun,
            settings=settings,
            solution=replace(begun.solution, drive_db=drive_db, reached_lufs=reached, slope=slope, renders=renders),
            traces=[{**begun.traces[0], **running.traces}],
            hops=hops,
            true_peak_dbtp=peak.result().highest_dbtp,
        )
        return PricedSong(
            solved=solved,
            costs=self.reference.priced(solved, meter.result()),
            early_work_db=self._early_work_db(solved),
        )

    def _early_work_db(self, solved: Solved) -> float:
        material = self.material
        return early_work_db(material.reductions(solved.traces, EARLY), material.loud_blocks)
