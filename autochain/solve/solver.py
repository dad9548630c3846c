"""Settings brought to a loudness under a ceiling.

Order of work: both compressors once (thresholds solved for the wanted work), then the peak stages at every drive the
solve asks for.
"""

import math
from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.chain.chain import ChainPlan, ChainRunner
from autochain.chain.output import held_trim_db
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, OUTPUT, ChainSettings, StageName
from autochain.chain.stage import GainTrace
from autochain.config.model import Drive
from autochain.measure.loudness import HopMeter
from autochain.measure.true_peak import READINGS, TruePeakMeter, read_true_peak
from autochain.solve.decisions import Decisions
from autochain.solve.drive import Solution, solve_drive, within_slopes
from autochain.solve.dynamics import Dynamics
from autochain.solve.estimate import Estimate
from autochain.solve.material import Material
from autochain.solve.outline import Outline, only_drive_left
from autochain.solve.solved import Guess, Solved
from autochain.units import linear_to_db

SILENT_LUFS = -70.0  # the absolute gate of BS.1770: nothing above it was left
LOUDNESS_TOLERANCE_LU = 0.1  # what is promised: the printed loudness is the target's
DITHER_DB = 0.001  # 24-bit TPDF dither moves a peak by less than this
MOST_CEILING_STEPS = 4
MOST_TRIM_STEPS = 2
_SILENT_DBTP = -200.0
# How near an estimated loudness comes to the target before the rest goes along its slope.
_ESTIMATED_LU, _MOST_ESTIMATES = 0.05, 12


def _driven_more(solution: Solution, missing_lu: float) -> Guess:
    """Where to look for the drive again when something behind it takes so much loudness."""
    slope = within_slopes(solution.slope)
    return Guess(slope=slope, drive_db=solution.drive_db + missing_lu / slope)


@dataclass(slots=True)
class _Sound:
    """One render: its loudness and traces, and its samples, or the true peak where they were not kept."""

    traces: list[dict[StageName, GainTrace]]
    hops: list[npt.NDArray[np.float64]]
    rendered: list[Samples]
    true_peak_dbtp: float | None = None


@dataclass(slots=True)
class _Nearest:
    """The render that came nearest to the target so far; None where it is no longer held."""

    error: float
    drive_db: float
    settings: ChainSettings
    sound: _Sound | None


@dataclass(frozen=True, slots=True)
class _Aim:
    """What the drive is solved for; parameters as of `solve_drive`."""

    target_lufs: float
    gain_alone_db: float
    step_db: float
    dialable: bool
    keep: bool
    readings: Sequence[str]


class Solver:
    """Solves outlines on one material; calls are independent of each other and safe in parallel threads."""

    def __init__(self, material: Material, plan: Drive, chain: ChainPlan) -> None:
        self.material = material
        self.plan = plan
        self.chain = chain
        self._dynamics = Dynamics(material, chain)
        # The output stage fades the ends of a song, which an excerpt does not have.
        self._behind = (*chain.level, OUTPUT) if material.whole else chain.level

    def with_tolerance(self, tolerance_lu: float) -> Self:
        """The same with another tolerance of the drive, in LU; what is cached is shared."""
        other = copy(self)
        other.plan = self.plan.model_copy(update={"tolerance_lu": tolerance_lu})
        return other

    def solve(
        self,
        plan: Outline,
        target_lufs: float,
        guess: Guess,
        *,
        step_db: float = 0.0,
        hold_dbtp: float | None = None,
        dialable: bool = False,
        keep: bool = True,
        readings: Sequence[str] = READINGS,
    ) -> Solved:
        """Solve an outline for the target.

        Parameters
        ----------
        plan
            Settings, and what is left to solve in them.
        target_lufs
            Loudness wanted.
        guess
            Where the solve starts.
        step_db
            > 0 keeps the drive on settable steps.
        hold_dbtp
            Ceiling that the highest of three true-peak readings must stay under; the limiter's own ceiling is
            lowered by settable steps, and the drive solved again, until it does. Where that is not enough, or
            the plan locks that ceiling, the output's trim takes the rest: the last step is a trim alone, after
            which nothing can exceed the ceiling. Implies `dialable`.
        dialable
            A target out of reach ends at a drive that somebody could dial.
        keep
            False for a whole song of whose render no samples are wanted: it is rendered in blocks, and its levels are
            read on the way.
        readings
            True-peak readings by which a ceiling is held in a render that is not kept.
        """
        settings, before_peaks, traces = self._dynamics.render(plan)
        material = self.material
        peak_db = 0.0 if plan.clip_share is None else linear_to_db(material.highest(before_peaks))
        hops = material.hops_before(before_peaks)
        before_lufs = material.wanted_lufs(hops)
        start = target_lufs - (material.integrated_lufs if before_lufs is None else before_lufs)
        if plan.drive_db is None and guess.drive_db is None:
            guess = self._told(settings, before_peaks, hops, plan, target_lufs, guess)
        held = () if hold_dbtp is None else tuple(readings)
        aim = _Aim(target_lufs, start, step_db, dialable or hold_dbtp is not None, keep, held)
        true_peak_dbtp: float | None = None
        saturated, was_db = False, math.inf
        expected = plan
        if guess.out_of_reach and guess.drive_db is not None and plan.drive_db is None:
            expected = replace(plan, drive_db=self.chain.stages[DRIVE].parameter("gain_db").rounded(guess.drive_db))
        for step in range(MOST_CEILING_STEPS + MOST_TRIM_STEPS):
            solution, nearest = self._solve_level(settings, before_peaks, peak_db, expected, guess, aim)
            if expected is not plan:
                # Where it ends takes ten renders to find; one tells whether the excerpts were right.
                if solution.reached_lufs < target_lufs - LOUDNESS_TOLERANCE_LU:
                    plan, saturated = expected, True
                else:
                    nearest.sound = None
                    solution, nearest = self._solve_level(settings, before_peaks, peak_db, plan, guess, aim)
            saturated = saturated or solution.saturated
            if hold_dbtp is None:
                break
            true_peak_dbtp = self._true_peak_dbtp(nearest)
            highest_dbtp = _SILENT_DBTP if true_peak_dbtp is None else true_peak_dbtp
            excess_db = highest_dbtp - hold_dbtp + DITHER_DB
            if excess_db <= 0.0:
                break
            # Without a limiter more drive may raise the peaks by all that a trim takes from them.
            in_vain = LIMITER not in settings and (CLIPPER not in settings or excess_db > 0.5 * was_db)
            if saturated or in_vain:  # where it ends is not looked for again
                plan = replace(plan, drive_db=solution.drive_db)
            was_db = excess_db
            expected = plan
            if plan.ceiling_locked or step >= MOST_CEILING_STEPS:
                lower = held_trim_db(highest_dbtp, hold_dbtp, DITHER_DB)
                settings = settings.with_(OUTPUT, trim_db=round(settings[OUTPUT]["trim_db"] + lower, 6))
                guess = _driven_more(solution, -lower)
                if step + 1 == MOST_CEILING_STEPS + MOST_TRIM_STEPS:
                    last, nearest.sound = replace(plan, drive_db=solution.drive_db), None
                    solution, nearest = self._solve_level(settings, before_peaks, peak_db, last, guess, aim)
                    true_peak_dbtp = self._true_peak_dbtp(nearest)
                continue
            ceiling = self.chain.stages[LIMITER].parameter("ceiling_dbtp")
            lower = settings[LIMITER]["ceiling_dbtp"] - math.ceil(excess_db / ceiling.step) * ceiling.step
            # A limiter driven by as much more as its ceiling is lowered gives the same sound, lower.
            guess = _driven_more(solution, (1.0 - solution.slope) * (settings[LIMITER]["ceiling_dbtp"] - lower))
            settings = settings.with_(LIMITER, ceiling_dbtp=ceiling.rounded(lower))
        sound = nearest.sound
        assert sound is not None
        return Solved(
            settings=nearest.settings,
            solution=replace(solution, saturated=saturated and not solution.met),
            loss_db=solution.drive_db - start,
            before_peaks=before_peaks,
            rendered=sound.rendered,
            traces=[{**t, **own} for t, own in zip(traces, sound.traces, strict=True)],
            hops=sound.hops,
            true_peak_dbtp=true_peak_dbtp,
        )

    def over_told_lu(
        self, settings: ChainSettings, reached_lufs: float, before_peaks: list[Samples] | None = None
    ) -> float:
        """How much louder a chain came out than the sound ahead of its drive (made anew if not given) lets expect."""
        if before_peaks is None:
            _, before_peaks, _ = self._dynamics.render(only_drive_left(settings, Decisions()))
        told = Estimate(self.material, before_peaks, self.material.hops_before(before_peaks), self._behind)
        lufs = told.lufs_at(settings)
        return 0.0 if lufs is None else reached_lufs - lufs

    def _told(
        self,
        settings: ChainSettings,
        before_peaks: list[Samples],
        hops: Sequence[npt.NDArray[np.float64]],
        plan: Outline,
        target_lufs: float,
        guess: Guess,
    ) -> Guess:
        """Drive and slope that the sound ahead of the drive lets expect; the guess where it says out of reach."""
        material = self.material
        target_lufs -= guess.over_told_lu or 0.0
        estimate = Estimate(material, before_peaks, hops, self._behind)
        peak_db = 0.0 if plan.clip_share is None else linear_to_db(material.highest(before_peaks))
        before_lufs = material.wanted_lufs(hops)
        gain_alone_db = target_lufs - (material.integrated_lufs if before_lufs is None else before_lufs)

        def expected(drive_db: float) -> float:
            lufs = estimate.lufs_at(self._with_drive(settings, drive_db, plan.clip_share, peak_db))
            return SILENT_LUFS if lufs is None else lufs

        found = solve_drive(
            expected,
            target_lufs,
            start_db=gain_alone_db + guess.loss_db,
            slope=guess.slope,
            plan=self.plan.model_copy(update={"tolerance_lu": _ESTIMATED_LU, "max_renders": _MOST_ESTIMATES}),
            gain_alone_db=gain_alone_db,
        )
        if not found.met:
            return guess
        slope = within_slopes(found.slope)
        return Guess(slope=slope, drive_db=found.drive_db + (target_lufs - found.reached_lufs) / slope)

    def end_of_reach(self, plan: Outline, target_lufs: float, found: Solution) -> Guess:
        """Where a solve on more of the same song starts whose target a solve here has not reached.

        Parameters
        ----------
        plan
            What was solved, at settings that a hand can set.
        target_lufs
            Loudness of this material at which the song is expected to meet its target.
        found
            The solution that fell short, for about the same settings.
        """
        guess = Guess(slope=found.slope, drive_db=found.drive_db)
        if plan.drive_db is not None:
            return guess
        solution = self.solve(plan, target_lufs, guess, dialable=True).solution
        return Guess(slope=solution.slope, drive_db=solution.drive_db, out_of_reach=solution.saturated)

    def _solve_level(
        self,
        settings: ChainSettings,
        before_peaks: list[Samples],
        peak_db: float,
        plan: Outline,
        guess: Guess,
        aim: _Aim,
    ) -> tuple[Solution, _Nearest]:
        """Drive solve over the peak stages; keeps the nearest render."""
        material = self.material
        nearest: _Nearest | None = None

        def loudness_at(drive_db: float) -> float:
            nonlocal nearest
            if nearest is not None and aim.keep:
                # The next render is nearly always the nearer one: do not hold two songs in memory for the rest.
                nearest.sound = None
            at = self._with_drive(settings, drive_db, plan.clip_share, peak_db)
            sound = self._rendered(before_peaks, at) if aim.keep else self._passed(before_peaks, at, aim.readings)
            lufs = material.wanted_lufs(sound.hops)
            lufs = SILENT_LUFS if lufs is None else lufs
            error = abs(lufs - aim.target_lufs)
            if nearest is None or (error, drive_db) < (nearest.error, nearest.drive_db):
                nearest = _Nearest(error, drive_db, at, sound)
            return lufs

        if plan.drive_db is None:
            solution = solve_drive(
                loudness_at,
                aim.target_lufs,
                start_db=aim.gain_alone_db + guess.loss_db if guess.drive_db is None else guess.drive_db,
                slope=guess.slope,
                plan=self.plan,
                step_db=aim.step_db,
                gain_alone_db=aim.gain_alone_db,
                dialable=aim.dialable,
            )
        else:
            lufs = loudness_at(plan.drive_db)
            met = abs(lufs - aim.target_lufs) <= LOUDNESS_TOLERANCE_LU
            solution = Solution(drive_db=plan.drive_db, reached_lufs=lufs, met=met, slope=guess.slope, renders=1)
        if nearest is not None and (nearest.sound is None or nearest.drive_db != solution.drive_db):
            nearest = None
            loudness_at(solution.drive_db)
        assert nearest is not None
        return solution, nearest

    def _true_peak_dbtp(self, nearest: _Nearest) -> float | None:
        """The highest reading of a render; None for silence."""
        sound, material = nearest.sound, self.material
        assert sound is not None
        if not sound.rendered:
            return sound.true_peak_dbtp
        return read_true_peak(material.scored(sound.rendered), material.rate_hz).highest_dbtp

    def _rendered(self, before_peaks: list[Samples], settings: ChainSettings) -> _Sound:
        rate_hz = self.material.rate_hz
        outputs = [self.chain.render(x, rate_hz, settings, stages=self._behind) for x in before_peaks]
        samples = [o.samples for o in outputs]
        return _Sound([o.traces for o in outputs], self.material.scored_hops(samples), samples)

    def _passed(self, before_peaks: list[Samples], settings: ChainSettings, readings: Sequence[str]) -> _Sound:
        """A render that passes by the meters in blocks."""
        (song,) = before_peaks
        rate_hz, channels = self.material.rate_hz, song.shape[1]
        loudness, peak = HopMeter(rate_hz, channels), TruePeakMeter(rate_hz, channels, readings)
        running = self.running(channels, settings)
        for piece in running.run(self.blocks(song)):
            loudness.push(piece)
            if readings:
                peak.push(piece)
        return _Sound([running.traces], [loudness.result()], [], peak.result().highest_dbtp)

    def running(self, channels: int, settings: ChainSettings) -> ChainRunner:
        """Start the drive and all behind it on a stream."""
        return self.chain.stream(self.material.rate_hz, channels, settings.only(self._behind))

    def blocks(self, samples: Samples) -> Iterator[Samples]:
        """Parts in which a song passes through a chain; whoever wants to end a render early does it between two."""
        return in_blocks(samples)

    def _with_drive(
        self, settings: ChainSettings, drive_db: float, clip_share: float | None, peak_db: float
    ) -> ChainSettings:
        """Settings at one drive: the clipper takes its share of the peak work, the limiter the rest."""
        at = settings.with_(DRIVE, gain_db=drive_db)
        if clip_share is not None:
            ceiling = settings[LIMITER]["ceiling_dbtp"]
            peak_work = max(0.0, peak_db + drive_db - ceiling)
            parameter = self.chain.stages[CLIPPER].parameter("ceiling_dbfs")
            above = ceiling + (1.0 - clip_share) * peak_work
            at = at.with_(CLIPPER, ceiling_dbfs=parameter.rounded(above))
        return at
