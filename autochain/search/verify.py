"""The last word: a chain at settable steps, its drive solved and everything measured on the whole song."""

from dataclasses import dataclass, replace

from autochain.audio.mix import Mix
from autochain.chain.chain import ChainPlan
from autochain.chain.settings import DRIVE, ChainSettings
from autochain.config.model import Target
from autochain.prepare.silence_and_fades import SilenceAndFades
from autochain.search.costs import score
from autochain.search.evaluator import Evaluator
from autochain.search.facts import stage_facts
from autochain.search.result import Verified
from autochain.solve.decisions import Decisions
from autochain.solve.outline import Outline, only_drive_left
from autochain.solve.solved import Guess
from autochain.solve.solver import LOUDNESS_TOLERANCE_LU

SUGGESTION = "suggestion"


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
        Start of the solve.
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


def verify(contender: Contender, mix: Mix, song: Evaluator, song_ends: SilenceAndFades | None) -> Verified:
    """Solve the drive on the whole song under the true-peak ceiling, then measure.

    What is measured is what a hand can set. Costs and score are those of the same chain at exactly the target, its
    drive moved by hundredths of a dB, so that contenders compare at one loudness; where the target is missed, those of
    what was reached, which compare with nothing.

    Parameters
    ----------
    contender
        The chain, and what it has to meet.
    mix
        The mix before any stage.
    song
        Evaluator over the whole song's linear-stage output.
    song_ends
        Of the mix, from `find_silence_and_fades`.
    """
    target = contender.target
    material = song.material
    wanted = target.loudness_lufs
    plan = only_drive_left(song.chain.rounded(contender.settings), contender.decisions)
    solved = song.solve(plan, wanted, contender.guess, step_db=0.1, hold_dbtp=target.ceiling_dbtp, keep=False)
    assert solved.measured is not None
    after, traces = solved.measured.figures, solved.traces[0]
    under = after.true_peak_dbtp is None or after.true_peak_dbtp <= target.ceiling_dbtp
    heard = target.heard_lufs(after)
    met = under and heard is not None and abs(heard - wanted) <= LOUDNESS_TOLERANCE_LU
    costs = song.costs_at(solved, wanted if met else solved.solution.reached_lufs)
    return Verified(
        name=contender.name,
        settings=solved.settings,
        after=after,
        costs=costs,
        score=score(costs, song.weights),
        met=met,
        saturated=solved.solution.saturated,
        stages=stage_facts(
            mix.samples,
            mix.rate_hz,
            solved.settings,
            traces,
            material.input_hops[0],
            material.loud[0],
            song.chain,
            song_ends,
        ),
        reductions_db={stage: trace.max_db for stage, trace in traces.items()},
    )
