"""Progress on stderr, on a terminal only."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn


@contextmanager
def progress_bar() -> Iterator[Callable[[str, float], None]]:
    """Give a function that shows a phase and its share done; phases without a share show elapsed time."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("starting", total=None)
        last = ""

        def show(phase: str, done: float) -> None:
            nonlocal last
            if not console.is_terminal and phase != last:
                console.print(f"{phase} ...", highlight=False)
            last = phase
            bar.update(task, description=phase, total=1.0 if done > 0.0 else None, completed=done)

        yield show
