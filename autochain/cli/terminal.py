"""The terminal as the caller of a job: lines on stderr, a question where somebody can answer, progress, Ctrl-C."""

import gc
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial

import typer

from autochain.cli.interrupt import asked_to_stop
from autochain.errors import printable
from autochain.progress import Progress
from autochain.tasks.caller import Caller


def say(words: str) -> None:
    """Print on stderr what steers no terminal; where nothing can be printed, nothing is."""
    with suppress(OSError, ValueError):
        typer.echo(printable(words), err=True)


def tell(words: str) -> None:
    """Print one line that stops nothing."""
    say(f"autochain: {words}")


def show(text: str) -> None:
    """Print a result on stdout."""
    typer.echo(printable(text), nl=False)


def _ask(question: str) -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty() and typer.confirm(question, err=True)


@contextmanager
def _phases() -> Iterator[Progress]:
    """Give a function that shows a phase and its share done: as a bar in a terminal, as a line elsewhere."""
    if not sys.stderr.isatty():
        yield _Lines()
        return
    from rich.console import Console  # a tenth of a second
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    # Phases without a share show elapsed time.
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=None)

        def show(phase: str, done: float) -> None:
            bar.update(task, description=phase, total=1.0 if done > 0.0 else None, completed=done)

        yield show


class _Lines:
    """One line a phase."""

    def __init__(self) -> None:
        self._last = ""

    def __call__(self, phase: str, done: float) -> None:
        if phase != self._last:
            say(f"{phase} ...")
        self._last = phase


@contextmanager
def printing() -> Iterator[Callable[[str], None]]:
    """Give what prints a result on stdout; where nobody reads it, that is an error only once the files are there."""
    failed: list[OSError] = []

    def tried(text: str) -> None:
        try:
            show(text)
            sys.stdout.flush()
        except OSError as error:
            failed.append(error)

    yield tried
    for error in failed:
        raise error


@contextmanager
def _watched(to_compile: list[Callable[[Progress], None]]) -> Iterator[Progress]:
    with _phases() as show:
        while to_compile:  # the first time
            to_compile.pop()(show)
        gc.freeze()  # what is loaded stays, so nobody need look through it again
        gc.enable()
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
    to_compile = [] if compile_first is None else [compile_first]
    return Caller(
        tell=tell, ask=_ask, watch=partial(_watched, to_compile), stoppable=partial(asked_to_stop, goes_on=goes_on)
    )
