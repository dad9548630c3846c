"""Ctrl-C in a long run: once for the best so far, twice to leave."""

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

import typer

from autochain.errors import StoppedError


@contextmanager
def asked_to_stop(*, goes_on: bool) -> Iterator[Callable[[], bool]]:
    """Give a function that says whether Ctrl-C was pressed; pressed again, the run ends at once.

    Only the main thread can listen; elsewhere nobody ever asks. `goes_on` tells whether a later run can go on.
    """
    pressed = threading.Event()
    later = "; either way the same command with --resume goes on later" if goes_on else ""
    kept = "; what was done is kept. Give the same command with --resume to go on." if goes_on else " without a result."

    def on_press(signum: int, frame: FrameType | None) -> None:
        if pressed.is_set():
            raise StoppedError(f"Stopped{kept}")
        pressed.set()
        typer.echo(
            "\nStopping: the best so far is written, of a curve its points so far. Press Ctrl-C again to leave without "
            f"them{later}.",
            err=True,
        )

    if threading.current_thread() is not threading.main_thread():
        yield pressed.is_set
        return
    before = signal.signal(signal.SIGINT, on_press)
    try:
        yield pressed.is_set
    finally:
        signal.signal(signal.SIGINT, before)
