"""The terminal as the caller of a job: lines on stderr, a question where somebody can answer, progress, Ctrl-C."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

import typer

from autochain.cli.interrupt import asked_to_stop
from autochain.cli.progress import progress_bar
from autochain.progress import Progress
from autochain.tasks.caller import Caller


def tell(words: str) -> None:
    """Print one line that stops nothing."""
    typer.echo(f"autochain: {words}", err=True)


def _ask(question: str) -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty() and typer.confirm(question, err=True)


@contextmanager
def _watched(compile_first: Callable[[Progress], None] | None) -> Iterator[Progress]:
    with progress_bar() as show:
        if compile_first is not None:
            compile_first(show)
        yield show


def terminal(compile_first: Callable[[Progress], None] | None = None, *, goes_on: bool = False) -> Caller:
    """The caller of one command.

    Parameters
    ----------
    compile_first
        What has to be compiled in the first run after an installation.
    goes_on
        Whether a search that was stopped can go on later.
    """
    return Caller(
        tell=tell, ask=_ask, watch=partial(_watched, compile_first), stoppable=partial(asked_to_stop, goes_on=goes_on)
    )
