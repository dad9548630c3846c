"""Calls at the same time: results in the order of the calls, the first failure raised, nothing begun after it."""

import threading
from functools import partial

import pytest

from autochain.search.request import RunOptions
from autochain.threads import begun, cores, in_threads


def test_results_come_in_the_order_of_the_calls_whoever_finishes_first() -> None:
    last_is_done = threading.Event()

    def first() -> str:
        assert last_is_done.wait(10.0)
        return "first"

    def last() -> str:
        last_is_done.set()
        return "last"

    assert in_threads([first, last], 2) == ["first", "last"]


@pytest.mark.parametrize("most", [1, 2, -1])
def test_every_number_of_threads_gives_the_same(most: int) -> None:
    assert in_threads((partial(pow, 2, k) for k in range(20)), most) == [2**k for k in range(20)]
    assert in_threads([], most) == []


def test_one_at_a_time_uses_no_other_thread() -> None:
    assert in_threads([threading.current_thread], 1) == [threading.current_thread()]


@pytest.mark.parametrize("most", [1, 2])
def test_the_first_call_that_fails_is_raised_and_what_has_not_begun_is_dropped(most: int) -> None:
    started = []
    go_on = threading.Event()

    def fails(name: str) -> None:
        started.append(name)
        raise ValueError(name)

    def waits() -> None:
        started.append("waits")
        go_on.wait(10.0)

    with pytest.raises(ValueError, match="one"):
        in_threads([partial(fails, "one"), *[waits] * 9], most)
    # Each thread may have taken one call more before it heard of the failure.
    assert len(started) <= 1 + most
    go_on.set()


def test_there_is_a_core() -> None:
    assert cores() >= 1


def test_what_is_begun_runs_beside_and_is_waited_for() -> None:
    go_on = threading.Event()

    def waits() -> threading.Thread:
        assert go_on.wait(10.0)
        return threading.current_thread()

    result = begun(waits)
    go_on.set()
    assert result() is not threading.current_thread()
    assert result() is result()  # made once


def test_what_is_begun_and_fails_is_told_where_it_is_waited_for() -> None:
    failed = begun(lambda: [].pop())
    with pytest.raises(IndexError):
        failed()


def test_with_one_job_nothing_runs_beside() -> None:
    assert RunOptions(jobs=1).beside(threading.current_thread)() is threading.current_thread()
    assert RunOptions(jobs=2).beside(threading.current_thread)() is not threading.current_thread()
