"""The terminal as the caller of a job: lines on stderr, a question where somebody can answer, progress, Ctrl-C."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

import typer
from rich.console import Console
from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bar

from autochain.cli.interrupt import asked_to_stop
from autochain.progress import Progress
from autochain.tasks.caller import Caller


def tell(words: str) -> None:
    """Print one line that stops nothing."""
    typer.echo(f"autochain: {words}", err=True)


def _ask(question: str) -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty() and typer.confirm(question, err=True)


@contextmanager
def _progress_bar() -> Iterator[Progress]:
    """Give a function that shows a phase and its share done; phases without a share show elapsed time."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Bar(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("starting", total=None)
        last = ""

        def show(phase: str, done: float) -> None:
            nonlocal last
            if not console.is_terminal and phase != last:
                console.print(f"{phase} ...", highlight=False)
            last = phase
            bar.update(task, description=phase, total=1.0 if done > 0.0 else None, completed=done)

        yield show


@contextmanager
def _watched(compile_first: Callable[[Progress], None] | None) -> Iterator[Progress]:
    with _progress_bar() as show:
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
