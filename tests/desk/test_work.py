"""The queue of the desk: one long job at a time, short ones beside it, everything can be stopped."""

import gc
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator

import pytest

from autochain.desk.work import DeskJob, WorkQueue, in_one_go
from autochain.errors import UsageError
from autochain.progress import Progress, Stop

LONG_S = 10.0  # longest that anything here may take; it takes milliseconds


class Told:
    def __init__(self) -> None:
        self.failed: list[tuple[str, str]] = []
        self.watched = 0
        self.order: list[str] = []
        self.work = WorkQueue(self._watch, lambda song, words: self.failed.append((song, words)))

    def _watch(self) -> None:
        self.watched += 1

    def job(self, name: str, run: Callable[[Progress, Stop], None] | None = None, **more: bool) -> DeskJob:
        def noted(progress: Progress, stop: Stop) -> None:
            self.order.append(name)
            if run is not None:
                run(progress, stop)

        return DeskJob(words=name, song="s", kind=name, run=noted, **more)


@pytest.fixture
def told() -> Iterator[Told]:
    made = Told()
    yield made
    assert made.work.close(LONG_S)


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + LONG_S
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.002)


class Held:
    """A job that goes on, telling how far it is, until it is let go."""

    def __init__(self) -> None:
        self.begun, self.go = threading.Event(), threading.Event()
        self.steps = 0
        self.stopped = False

    def __call__(self, progress: Progress, stop: Stop) -> None:
        self.begun.set()
        while not self.go.is_set():
            progress("on", 0.5)
            self.steps += 1
            if stop():
                self.stopped = True
                return
            time.sleep(0.001)


def test_a_short_job_gets_what_a_long_one_holds_while_it_tells_how_far_it_is(told: Told) -> None:
    song, held, done = threading.Lock(), threading.Event(), threading.Event()

    def verify(progress: Progress, stop: Stop) -> None:
        with song, in_one_go():
            held.set()
            until(lambda: "keep" in told.order)
            progress("on", 0.5)

    def keep(progress: Progress, stop: Stop) -> None:
        with song:
            done.set()

    told.work.submit(told.job("search", verify))
    assert held.wait(LONG_S)
    told.work.submit(told.job("keep", keep, short=True))
    assert done.wait(LONG_S)


def test_long_jobs_come_one_after_the_other_in_the_order_asked_and_checks_last(told: Told) -> None:
    held = Held()
    told.work.submit(told.job("first", held))
    assert held.begun.wait(LONG_S)
    told.work.submit(told.job("check", background=True))
    told.work.submit(told.job("second"))
    told.work.submit(told.job("third"))
    doing = told.work.doing()
    assert (doing.phase, doing.share, doing.left) == ("on", 0.5, 1)
    assert [one["words"] for one in doing.waiting] == ["second", "third"]
    held.go.set()
    until(lambda: len(told.order) == 4 and not told.work.doing().words)
    assert told.order == ["first", "second", "third", "check"]


def test_a_short_job_is_done_while_a_long_one_waits(told: Told) -> None:
    held, short = Held(), Held()
    told.work.submit(told.job("long", held))
    assert held.begun.wait(LONG_S)
    told.work.submit(told.job("short", short, short=True))
    assert short.begun.wait(LONG_S)
    until(lambda: not moves(held))
    assert told.work.doing().phase == "on"  # the long one is what is told of
    short.go.set()
    until(lambda: moves(held))
    held.go.set()


def moves(held: Held) -> bool:
    before = held.steps
    time.sleep(0.05)
    return held.steps > before + 1


def test_a_long_job_waits_while_a_turn_is_solved(told: Told) -> None:
    held = Held()
    told.work.submit(told.job("long", held))
    assert held.begun.wait(LONG_S)
    with told.work.listening():
        until(lambda: not moves(held))
    until(lambda: moves(held))
    held.go.set()


def test_a_job_is_stopped_where_it_tells_how_far_it_is(told: Told) -> None:
    held = Held()
    number = told.work.submit(told.job("long", held))
    assert held.begun.wait(LONG_S)
    told.work.stop(number)
    until(lambda: not told.work.doing().words)
    assert told.failed == [("s", "Stopped: long.")]
    assert not held.stopped  # it was ended out of `progress`


def test_a_search_is_asked_to_stop_and_ends_by_itself(told: Told) -> None:
    held = Held()
    told.work.submit(told.job("search", held, best_so_far=True))
    assert held.begun.wait(LONG_S)
    told.work.stop()
    until(lambda: held.stopped)
    assert told.failed == []


def test_a_waiting_job_can_be_stopped_and_the_running_one_goes_on(told: Told) -> None:
    held = Held()
    told.work.submit(told.job("long", held))
    assert held.begun.wait(LONG_S)
    told.work.stop(told.work.submit(told.job("waiting")))
    assert told.work.doing().waiting == ()
    held.go.set()
    until(lambda: not told.work.doing().words)
    assert told.order == ["long"]


def test_a_stop_of_what_is_over_stops_nothing_else(told: Told) -> None:
    over = told.work.submit(told.job("over"))
    until(lambda: told.order == ["over"] and not told.work.doing().words)
    held = Held()
    told.work.submit(told.job("next", held, best_so_far=True))
    assert held.begun.wait(LONG_S)
    told.work.stop(over)
    assert moves(held)
    held.go.set()
    until(lambda: not told.work.doing().words)
    assert not held.stopped


def test_a_later_job_of_a_kind_takes_the_place_of_a_waiting_one_and_stops_a_short_one(told: Told) -> None:
    first = Held()
    told.work.submit(told.job("verify", first, short=True, best_so_far=True))
    assert first.begun.wait(LONG_S)
    told.work.submit(told.job("verify", short=True), after_s=60.0)
    until(lambda: first.stopped)
    told.work.submit(told.job("verify", short=True), after_s=0.0)
    until(lambda: told.order == ["verify", "verify"])
    time.sleep(0.02)
    assert told.order == ["verify", "verify"]
    assert told.failed == []


def test_a_job_does_not_begin_before_its_time(told: Told) -> None:
    began = time.monotonic()
    told.work.submit(told.job("later", short=True), after_s=0.2)
    told.work.submit(told.job("now", short=True))
    until(lambda: told.order == ["now"])
    until(lambda: told.order == ["now", "later"])
    assert time.monotonic() - began >= 0.2


def test_an_error_is_told_and_the_next_job_is_done(told: Told) -> None:
    def wrong(progress: Progress, stop: Stop) -> None:
        raise UsageError("that cannot be.")

    def faulty(progress: Progress, stop: Stop) -> None:
        raise ZeroDivisionError("by zero")

    told.work.submit(told.job("wrong", wrong))
    told.work.submit(told.job("faulty", faulty))
    told.work.submit(told.job("right"))
    until(lambda: told.order == ["wrong", "faulty", "right"])
    assert told.failed[0] == ("s", "that cannot be.")
    assert "a fault of the program" in told.failed[1][1]


def test_no_more_than_some_jobs_wait(told: Told) -> None:
    held = Held()
    told.work.submit(told.job("long", held))
    assert held.begun.wait(LONG_S)
    for number in range(20):
        told.work.submit(told.job(f"job {number}"))
    with pytest.raises(UsageError, match="waiting already"):
        told.work.submit(told.job("one more"))
    told.work.submit(told.job("a check", background=True))  # one for each mix, as many as there are
    assert len(told.work.doing().waiting) == 20


def test_the_end_does_not_wait_for_a_job_that_tells_nothing() -> None:
    told, go = Told(), threading.Event()
    told.work.submit(told.job("deaf", lambda progress, stop: go.wait(LONG_S) and None))
    until(lambda: told.order == ["deaf"])
    began = time.monotonic()
    assert not told.work.close(0.1)
    assert time.monotonic() - began < 1.0
    go.set()
    assert told.work.close(LONG_S)
    assert told.failed == []


def test_a_job_moved_to_the_front_of_the_checks_is_done_first(told: Told) -> None:
    held = Held()
    told.work.submit(told.job("long", held))
    assert held.begun.wait(LONG_S)
    for name in ("one", "two", "three"):
        told.work.submit(told.job(name, background=True))
    told.work.first("three", "s")
    held.go.set()
    until(lambda: len(told.order) == 4)
    assert told.order == ["long", "three", "one", "two"]


def test_a_thousand_jobs_leave_no_thread_and_no_memory_behind(told: Told) -> None:
    """Nothing of a job stays: the limit is 8 bytes for each, less than any object takes."""

    def some(count: int) -> None:
        done = threading.Semaphore(0)
        for number in range(count):
            block = bytearray(1000)
            run = lambda progress, stop, block=block: (progress(str(len(block)), 0.5), done.release())  # noqa: E731
            told.work.submit(told.job("job", run, short=bool(number % 2)))
            assert done.acquire(timeout=LONG_S)
            told.order.clear()

    some(50)
    threads = threading.active_count()
    gc.collect()
    tracemalloc.start()
    try:
        some(50)
        gc.collect()
        before, _ = tracemalloc.get_traced_memory()
        some(1000)
        until(lambda: not told.work.doing().words)
        gc.collect()
        after, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert threading.active_count() == threads
    assert after - before < 8000  # of a thousand blocks of 1,000 bytes
