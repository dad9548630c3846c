"""Calls made at the same time, in threads: kernels and transforms release the interpreter lock."""

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

_T = TypeVar("_T")


def cores() -> int:
    """Number of cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def in_threads(calls: Iterable[Callable[[], _T]], most: int = -1) -> list[_T]:
    """Make calls, and give their results in the order of the calls.

    Parameters
    ----------
    calls
        Functions of nothing, safe in several threads.
    most
        How many at the same time; 1 uses no other thread, -1 is one per core.

    Raises
    ------
    Exception
        What the first call that fails has raised. Calls that have not begun are dropped; those under way are not waited
        for, so that a second Ctrl-C ends the program at once.
    """
    threads = cores() if most == -1 else most
    if threads == 1:
        return [call() for call in calls]
    pool = ThreadPoolExecutor(threads)
    try:
        under_way = [pool.submit(call) for call in calls]
        return [future.result() for future in under_way]
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def begun(call: Callable[[], _T]) -> Callable[[], _T]:
    """Begin a call in a thread of its own; what is given waits for its result, or raises what it has raised."""
    pool = ThreadPoolExecutor(1)
    under_way = pool.submit(call)
    pool.shutdown(wait=False)
    return under_way.result
