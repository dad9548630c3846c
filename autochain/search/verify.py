"""The last word: chains brought to their target and priced on the whole song, and what is shown of them measured.

Contenders are compared by few meters. Only what stands on the sheet is rendered as it is set there and measured by all
of them; should the slowest find a peak over the ceiling then, contenders are verified again with care.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

from autochain.audio.mix import Mix, Samples
from autochain.audio.room import in_blocks, room_for
from autochain.chain.chain import ChainPlan
from autochain.chain.settings import DRIVE, ChainSettings
from autochain.config.model import Target
from autochain.measure.measurement import LevelFigures, Levels, MixMeter
from autochain.measure.true_peak import QUICK_READINGS, READINGS
from autochain.prepare.silence_and_fades import SilenceAndFades
from autochain.search.costs import score
from autochain.search.evaluator import Evaluator, PricedSong
from autochain.search.facts import stage_facts
from autochain.search.result import OnSheet, Verified
from autochain.solve.decisions import Decisions
from autochain.solve.outline import Outline, only_drive_left
from autochain.solve.solved import Guess, Solved
from autochain.solve.solver import DITHER_DB, LOUDNESS_TOLERANCE_LU

SUGGESTION = "suggestion"
# As near as a render that is priced has to be begun from: then that one is at the very loudness.
_NEARLY_LU = 0.045


@dataclass(frozen=True, slots=True, kw_only=True)
class Contender:
    """A chain that is to be verified.

    Attributes
    ----------
    name
        What it is called in the result.
    settings
        Complete settings; the drive in them is only where the solve starts from.
    target
        Loudness and ceiling to meet.
    decisions
        The locks that bind it.
    guess
        Start of the solve. With `over_told_lu` the drive is told, and renders only check it.
    """

    name: str
    settings: ChainSettings
    target: Target
    decisions: Decisions
    guess: Guess


def chain_of(contender: Contender, chain: ChainPlan) -> Outline:
    """What is solved for a contender, whatever drive it comes with: twins have the same."""
    outline = only_drive_left(chain.rounded(contender.settings), contender.decisions)
    return replace(outline, settings=outline.settings.with_(DRIVE, gain_db=0.0))


def verify(contender: Contender, song: Evaluator, *, carefully: bool = False) -> Verified:
    """Solve the drive on the whole song under the true-peak ceiling, then price it.

    What is given is what a hand can set. Costs and score are those of the same chain at exactly the target, its drive
    moved by hundredths of a dB, so that contenders compare at one loudness; where the target is missed, those of what
    was reached, which compare with nothing.

    Parameters
    ----------
    contender
        The chain, and what it has to meet.
    song
        Evaluator over the whole song's linear-stage output.
    carefully
        Whether all three true-peak readings are taken, of the very settings that are given. Else two are, of a drive
        within a step or two of them.
    """
    target, chain = contender.target, song.chain
    plan = only_drive_left(chain.rounded(contender.settings), contender.decisions)
    priced = None if carefully else _told(contender, plan, song)
    if priced is not None:
        peak_dbtp, met, saturated = priced.solved.true_peak_dbtp, True, False
        settings = _set_by_hand(priced, chain, target.loudness_lufs)
    else:
        solved = _solved(contender, plan, song, carefully=carefully)
        peak_dbtp, saturated = solved.true_peak_dbtp, solved.solution.saturated
        met = meets(LevelFigures.of(solved.hops[0], peak_dbtp), target)
        wanted = target.loudness_lufs if met else solved.solution.reached_lufs
        priced = song.at_loudness(solved, wanted)
        by_hand = carefully or plan.drive_db is not None
        settings = solved.settings if by_hand else _set_by_hand(priced, chain, wanted)
    return Verified(
        name=contender.name,
        settings=settings,
        after=LevelFigures.of(priced.solved.hops[0], peak_dbtp),
        costs=priced.costs,
        score=score(priced.costs, song.weights),
        met=met,
        saturated=saturated,
        early_work_db=priced.early_work_db,
    )


def _told(contender: Contender, plan: Outline, song: Evaluator) -> PricedSong | None:
    """Priced at the drive that the sound ahead of it lets expect; None where that is not known, or does not hold."""
    target, guess = contender.target, contender.guess
    if guess.over_told_lu is None:
        return None
    priced = song.told_at_loudness(plan, target.loudness_lufs, guess, QUICK_READINGS)
    if priced is None:
        return None
    found = LevelFigures.of(priced.solved.hops[0], priced.solved.true_peak_dbtp)
    return priced if meets(found, target) and dithered_under_ceiling(found, target) else None


def _solved(contender: Contender, plan: Outline, song: Evaluator, *, carefully: bool) -> Solved:
    """Solved by renders, the limiter's ceiling lowered where it has to be; with care on a hand's steps."""
    target = contender.target
    return (song if carefully else song.with_tolerance(max(_NEARLY_LU, song.plan.tolerance_lu))).solve(
        plan,
        target.loudness_lufs,
        contender.guess,
        step_db=0.1 if carefully else 0.0,
        hold_dbtp=target.ceiling_dbtp,
        keep=False,
        readings=READINGS if carefully else QUICK_READINGS,
    )


def _set_by_hand(priced: PricedSong, chain: ChainPlan, wanted_lufs: float) -> ChainSettings:
    """Settings with the drive on the step that is nearest to the loudness wanted."""
    at = priced.solved.solution
    drive_db = at.drive_db - (at.reached_lufs - wanted_lufs) / at.slope
    return priced.solved.settings.with_(DRIVE, gain_db=chain.stages[DRIVE].parameter("gain_db").rounded(drive_db))


def meets(found: Levels, target: Target) -> bool:
    """Whether levels are those of a target: the loudness within 0.1 LU, and under the ceiling."""
    heard = target.heard_lufs(found)
    near = heard is not None and abs(heard - target.loudness_lufs) <= LOUDNESS_TOLERANCE_LU
    return near and (found.true_peak_dbtp is None or found.true_peak_dbtp <= target.ceiling_dbtp)


def dithered_under_ceiling(found: Levels, target: Target) -> bool:
    """Whether no peak of a file passes the ceiling, the dither on it included; silence has none."""
    return found.true_peak_dbtp is None or found.true_peak_dbtp + DITHER_DB <= target.ceiling_dbtp


def _nobody(piece: Samples) -> None:
    """Nobody else takes the render."""


def finish(
    verified: Verified,
    target: Target,
    mix: Mix,
    song: Evaluator,
    song_ends: SilenceAndFades | None,
    *,
    keep: bool,
    taker: Callable[[Samples], None] = _nobody,
) -> tuple[OnSheet, Samples]:
    """Render what stands on a sheet as it is set there, and measure all of it.

    Parameters
    ----------
    verified
        The chain.
    target
        What it has to meet.
    mix
        The mix before any stage.
    song
        Evaluator over the whole song's linear-stage output.
    song_ends
        Of the mix, from `find_silence_and_fades`.
    keep
        Whether the render is wanted; no samples are given else.
    taker
        Takes the render as well, piece by piece.
    """
    samples, rate_hz = mix.samples, mix.rate_hz
    running = song.chain.stream(rate_hz, mix.channels, verified.settings)
    meter = MixMeter(rate_hz, mix.channels)
    output, done = room_for(samples.shape if keep else (0, mix.channels), samples.dtype), 0
    for piece in running.run(in_blocks(samples)):
        meter.push(piece)
        taker(piece)
        if keep:
            output[done : done + len(piece)] = piece
            done += len(piece)
    after, material = meter.result().figures, song.material
    finished = OnSheet(
        **{f.name: getattr(verified, f.name) for f in fields(Verified) if f.name not in ("after", "met")},
        after=after,
        met=meets(after, target),
        stages=stage_facts(
            samples,
            rate_hz,
            verified.settings,
            running.traces,
            material.input_hops[0],
            material.loud[0],
            song.chain,
            song_ends,
        ),
        reductions_db={stage: trace.max_db for stage, trace in running.traces.items()},
    )
    return finished, output
