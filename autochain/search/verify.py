"""The last word: a chain at settable steps, its drive solved and everything measured on the whole song."""

from collections.abc import Mapping

from autochain.audio.mix import Mix
from autochain.chain.stage import Settings
from autochain.config.model import Target
from autochain.measure.measurement import measure
from autochain.search.costs import score
from autochain.search.evaluate import LOUDNESS_TOLERANCE_LU, Evaluator
from autochain.search.facts import stage_facts
from autochain.search.result import Verified
from autochain.search.space import Decisions, fixed
from autochain.search.trial import Guess

SUGGESTION = "suggestion"


def verify(
    name: str,
    settings: Mapping[str, Settings],
    mix: Mix,
    song: Evaluator,
    target: Target,
    decisions: Decisions,
    guess: Guess,
) -> Verified:
    """Solve the drive on the whole song under the true-peak ceiling, then measure.

    Parameters
    ----------
    name
        What the chain is called in the result.
    settings
        Complete settings; the drive in them is only where the solve starts from.
    mix
        The mix before any stage.
    song
        Evaluator over the whole song's linear-stage output.
    target
        Loudness and ceiling to meet.
    decisions
        The engineer's locks.
    guess
        Start of the solve.
    """
    material = song.material
    wanted = target.loudness_lufs
    plan = fixed(song.chain.rounded(settings), decisions)
    solved = song.solve(plan, wanted, guess, step_db=0.1, hold_dbtp=target.ceiling_dbtp)
    trial = song.price(solved, wanted)
    samples, traces, settings = solved.rendered[0], solved.traces[0], solved.settings
    # A locked drive that misses the target says nothing of what more drive would do.
    saturated = not solved.solution.met and "gain_db" not in decisions.locks.get("drive", {})
    true_peak = solved.true_peak
    del solved  # its copy of the song before the drive is no longer needed: a fifth of the memory at its peak
    after = measure(samples, mix.rate_hz, true_peak)
    under = after.true_peak_dbtp is None or after.true_peak_dbtp <= target.ceiling_dbtp
    heard = target.heard_lufs(after)
    close = heard is not None and abs(heard - target.loudness_lufs) <= LOUDNESS_TOLERANCE_LU
    return Verified(
        name=name,
        settings=settings,
        after=after,
        costs=trial.costs,
        score=score(trial.costs, song.weights),
        met=under and close,
        saturated=saturated,
        stages=stage_facts(
            mix.samples, mix.rate_hz, settings, traces, material.input_hops[0], material.loud[0], song.chain
        ),
        samples=samples if name == SUGGESTION else None,
        reductions_db={stage: trace.max_db for stage, trace in traces.items()},
    )
