"""Processes that die, and the order of what is handed out."""

import os
import signal
import threading
from concurrent.futures import Future

from autochain.album.workers import as_they_finish, side_by_side


def square(number: int) -> int:
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number


def one_thread(name: str) -> str | None:
    return os.environ.get(name)


def test_who_dies_twice_is_lost_and_nobody_else() -> None:
    found = dict(side_by_side(square, range(8), 2, lambda number: -number))
    assert found == {n: -3 if n == 3 else n * n for n in range(8)}


def test_a_process_has_one_thread() -> None:
    names = ["OMP_NUM_THREADS", "NUMBA_NUM_THREADS"]
    assert dict(side_by_side(one_thread, names, 2, lambda _: None)) == dict.fromkeys(names, "1")


def test_no_more_is_handed_out_than_may_be_under_way() -> None:
    handed: list[int] = []

    def submit(one: int) -> "Future[int]":
        handed.append(one)
        future: Future[int] = Future()
        threading.Timer(0.01, future.set_result, [one]).start()
        return future

    for seen, _ in enumerate(as_they_finish(submit, range(9), lambda: 3)):
        assert len(handed) <= seen + 3
    assert handed == list(range(9))
