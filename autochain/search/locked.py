"""What the engineer's locks cost: told against simple chains without them, and against the sheet they were put on."""

from collections.abc import Iterable

from autochain.chain.chain import STAGES
from autochain.chain.settings import ChainSettings
from autochain.config.coordinates import SET
from autochain.config.model import Config
from autochain.earlier.around import Around
from autochain.note import Note
from autochain.search.baselines import CLIP_AND_LIMIT, LIMITER_ONLY
from autochain.search.request import versions
from autochain.search.result import Verified
from autochain.solve.decisions import as_given
from autochain.units import number

# Chains that carry none of the engineer's locks on the stages that set the level, in words.
FREE = {LIMITER_ONLY: "a limiter alone", CLIP_AND_LIMIT: "a clipper with a limiter"}


def locks_text(locks: ChainSettings) -> str:
    """Locks as they are given on the command line, a choice by its word."""
    return ", ".join(as_given(stage, name, value) for stage, own in locks.items() for name, value in own.items())


def lock_cost_note(
    chosen: Verified, verified: Iterable[Verified], locks: ChainSettings, least: float
) -> tuple[Note, ...]:
    """Note for locks that cost at least so much: a simple chain without them has a better score.

    The best chain without them was not searched for, so what is told is the least that they cost.
    """
    free = [v for v in verified if v.name in FREE and v.met]
    if not (locks and free and chosen.met):
        return ()
    best = min(free, key=lambda v: v.score)
    lost = chosen.score - best.score
    if lost < least:
        return ()
    return (
        Note(
            code="lock_price",
            text=f"With the locks {locks_text(locks)} the score is {number(chosen.score, decimals=2)}; without them "
            f"{FREE[best.name]} reaches the same loudness with {number(best.score, decimals=2)}. So they cost at least "
            f"{number(lost, decimals=2)} points of score.",
            suggestion="Ask again without them and compare both at equal loudness.",
        ),
    )


def since_note(chosen: Verified, around: Around | None, config: Config, mix_sha256: str) -> tuple[Note, ...]:
    """Note of what was decided since an earlier sheet of the same mix, target and weights, and its score then."""
    if around is None or not around.decided or not chosen.met:
        return ()
    was = around.sheet
    same = was.mix_sha256 == mix_sha256 and was.target == config.target and was.version == versions()["autochain"]
    if not same or was.score is None or was.weights != config.weights.model_dump():
        return ()
    return (
        Note(
            code="decided_since",
            text=f"With {locks_text(around.decided)} the score is {number(chosen.score, decimals=2)}; the sheet had "
            f"{number(was.score, decimals=2)} before.",
            suggestion="Lower is better; compare both at equal loudness.",
        ),
    )


def outside_note(locks: ChainSettings, config: Config) -> tuple[Note, ...]:
    """Note for locks outside of what the search would try."""
    texts = []
    for coordinate in SET:
        stage, name = coordinate.place
        value = locks.get(stage, name)
        low, high = getattr(config.search.ranges, coordinate.name)
        if value is not None and not low <= value <= high:
            span = f"{low:g} to {high:g} {STAGES[stage].parameter(name).unit}".rstrip()
            texts.append(f"{as_given(stage, name, value)} (the search tries {span})")
    if not texts:
        return ()
    return (
        Note(
            code="lock_outside_range",
            text=f"Locked outside the range of the search: {', '.join(texts)}. The lock is kept.",
            suggestion="Check that the value is meant; the ranges are in [search.ranges] of the configuration.",
        ),
    )
