"""Whoever starts a job: what is told and asked before the long work, and what is watched while it lasts."""

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass

from autochain.progress import Progress, Stop, silent


def _nothing(words: str) -> None:
    """Told to nobody."""


def _no(question: str) -> bool:
    """Nobody is there to say yes."""
    return False


def _never() -> bool:
    """Nobody asks for an end."""
    return False


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
    """

    tell: Callable[[str], None] = _nothing
    ask: Callable[[str], bool] = _no
    watch: Callable[[], AbstractContextManager[Progress]] = lambda: nullcontext(silent)
    stoppable: Callable[[], AbstractContextManager[Stop]] = lambda: nullcontext(_never)


NOBODY = Caller()
