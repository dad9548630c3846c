"""Ends that come from outside: SIGTERM, and Ctrl-C where no search takes it."""

import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING

from autochain.errors import TerminatedError

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

_AGAIN_S = 0.01


@contextmanager
def ended_in_order() -> Iterator[None]:
    """Let SIGTERM end a run as a second Ctrl-C does, so that nothing half-written is left; not where it is ignored.

    Python runs the handler wherever it is, and what it raises while an object is being deleted goes no further. The
    signal is sent again then: it would be lost, and the run would go on.
    """

    def on_end(signum: int, frame: FrameType | None) -> None:
        raise TerminatedError("Ended by another process; what was done is kept where --resume goes on.")

    if (
        threading.current_thread() is not threading.main_thread()
        or signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL
    ):
        yield
        return

    def on_lost(lost: "UnraisableHookArgs") -> None:
        ended_by = {TerminatedError: signal.SIGTERM, KeyboardInterrupt: signal.SIGINT}.get(lost.exc_type)
        if ended_by is None:
            hook(lost)
            return
        again = threading.Timer(_AGAIN_S, signal.raise_signal, [ended_by])
        again.daemon = True
        again.start()

    hook = sys.unraisablehook
    sys.unraisablehook = on_lost
    signal.signal(signal.SIGTERM, on_end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        sys.unraisablehook = hook
