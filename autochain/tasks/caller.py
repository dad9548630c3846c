"""Whoever starts a job: what is told and asked before the long work, and what is watched while it lasts."""

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING

from autochain.progress import Progress, Stop, silent

if TYPE_CHECKING:
    from autochain.chain.settings import ChainSettings
    from autochain.curve.point import Point
    from autochain.search.seen import SeenMix


def _nothing(words: str) -> None:
    """Told to nobody."""


def _no(question: str) -> bool:
    """Nobody is there to say yes."""
    return False


def _never() -> bool:
    """Nobody asks for an end."""
    return False


def _unheard(settings: "ChainSettings", score: float) -> None:
    """Nobody listens to the best so far."""


def _unseen(point: "Point") -> None:
    """Nobody looks at a point before the curve is whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """What a job may ask of whoever started it; by default nobody is there.

    Attributes
    ----------
    tell
        Takes one line of something to know that stops nothing.
    ask
        Takes a question; whether the answer is yes.
    watch
        Gives, around the long work, what takes a phase and its share done.
    stoppable
        Gives, around a search, what says whether it is to end with the best so far.
    better
        Takes settings and score of the best so far, whenever a search has a better one.
    point
        Takes each point of a curve as it is found, from any thread; what a louder one does to it comes later.
    seen
        The mix as it was looked at before, where it was: it is not measured again.
    """

    tell: Callable[[str], None] = _nothing
    ask: Callable[[str], bool] = _no
    watch: Callable[[], AbstractContextManager[Progress]] = lambda: nullcontext(silent)
    stoppable: Callable[[], AbstractContextManager[Stop]] = lambda: nullcontext(_never)
    better: "Callable[[ChainSettings, float], None]" = _unheard
    point: "Callable[[Point], None]" = _unseen
    seen: "SeenMix | None" = None


NOBODY = Caller()
