"""Work handed to processes of this machine; what comes of it is given as it finishes.

Processes, since much of a track is Python between its loops; each holds one track (about 1 GB for four minutes), so
memory is bounded by their number. Nobody writes files but the one who hands out.
"""

import gc
import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait
from contextlib import contextmanager
from multiprocessing import resource_tracker
from typing import Any, TypeVar

from joblib import effective_n_jobs
from joblib.externals.loky import ProcessPoolExecutor

from autochain.errors import AutochainError

A = TypeVar("A")
B = TypeVar("B")

# One thread in each process, whatever its libraries would start.
_ONE_THREAD = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL", "NUMBA", "BLIS", "NUMEXPR")}
LOST = (
    "Its process was ended from outside twice, as systems do when memory runs out. Free some memory, and give the "
    "command again with --resume."
)


def processes_for(jobs: int, count: int) -> int:
    """How many processes are of use for a number of things to do; `jobs` is -1 for all cores."""
    return max(1, min(int(effective_n_jobs(jobs)), count))


def as_they_finish(
    submit: Callable[[A], "Future[B]"], asked: Iterable[A], most: Callable[[], int]
) -> Iterator[tuple[A, "Future[B]"]]:
    """Hand out so much that `most()` are under way, and give each with its finished future."""
    under_way: dict[Future[B], A] = {}
    coming = iter(asked)
    left = True
    while left or under_way:
        while left and len(under_way) < most():
            for one in coming:
                under_way[submit(one)] = one
                break
            else:
                left = False
        for future in wait(under_way, return_when=FIRST_COMPLETED).done:
            yield under_way.pop(future), future


def side_by_side(
    do: Callable[[A], B], asked: Iterable[A], processes: int, lost: Callable[[A], B]
) -> Iterator[tuple[A, B]]:
    """Do all that is asked, in this process or in several; what is asked first is begun first.

    Parameters
    ----------
    do
        Function of a module, or a partial one of it, without side effects: what was under way when a process died is
        done again, alone.
    asked
        Values that can be sent to another process.
    processes
        1 uses none but this one.
    lost
        What stands for a value whose process was ended twice.

    Yields
    ------
    Each value with what came of it, in the order they finish.
    """
    if processes == 1:
        for one in asked:
            yield one, do(one)
        return

    to_do_again: list[A] = []
    try:
        for one, future in as_they_finish(lambda one: _POOL.submit(do, one, processes), asked, lambda: processes):
            try:
                found = future.result()
            except BrokenExecutor:
                to_do_again.append(one)  # one of those under way was to blame, the others fell with it
            else:
                yield one, found
        for one in to_do_again:
            try:
                yield one, _POOL.submit(do, one, 1).result()
            except BrokenExecutor:
                yield one, lost(one)
    except BaseException:  # Ctrl-C above all
        _POOL.end()
        raise


class _Pool:
    """Processes that stay while they are of use; new ones after one has died."""

    def __init__(self) -> None:
        self._executor: Any = None
        self._processes = 0

    def submit(self, do: Callable[[A], B], one: A, processes: int) -> "Future[B]":
        if processes != self._processes:
            self.end()
        for executor in (self._executor, None):
            if executor is None:
                self._executor = ProcessPoolExecutor(
                    processes, initializer=_begin, initargs=(os.getpid(),), env=_ONE_THREAD
                )
                self._processes = processes
            try:
                with _no_ctrl_c():  # it goes to all processes of a terminal; this one ends the others
                    future: Future[B] = self._executor.submit(do, one)
            except BrokenExecutor:
                continue
            return future
        raise AutochainError("No further process can be started. Free some memory, or use --jobs 1.")

    def end(self) -> None:
        if self._executor is not None:
            self._executor.shutdown(kill_workers=True)
            self._executor, self._processes = None, 0


_POOL = _Pool()


def end_processes() -> None:
    """End what still waits for more to do, for one who leaves in a hurry."""
    _POOL.end()
    gc.collect()  # the system's own things that they shared go with what held them


@contextmanager
def _no_ctrl_c() -> Iterator[None]:
    """Start processes that never hear Ctrl-C; here it comes a moment later."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # which lets signals through again as it begins
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(parent: int) -> None:
    """Leave Ctrl-C to the one that hands out, and end when that is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(0.5)
        os._exit(1)

    if os.name == "posix":  # elsewhere a process keeps the number of its parent
        threading.Thread(target=watch, daemon=True).start()
