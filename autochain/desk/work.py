"""Long work of the desk: one job at a time, and listening before searching.

Two workers. One does long jobs, in the order asked and checks in the background last, at a low priority where the
system gives threads one of their own. The other does short jobs, which are there to be heard; while it works, or a
turned knob is being solved, the long job waits where it next tells how far it is. Not where it holds what a short job
may be waiting for: there it goes on (`in_one_go`).
"""

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any

from autochain.errors import AutochainError, StoppedError, UsageError
from autochain.progress import Progress, Stop

_NICE = 10  # of the long worker and of the threads that it starts
_MOST_WAITING = 20  # jobs that were asked for; a limit of this project
_HELD = threading.local()  # how often this thread is `in_one_go`


@contextmanager
def in_one_go() -> Iterator[None]:
    """What a job does here is not held up for others: they may wait for what it holds."""
    _HELD.depth = getattr(_HELD, "depth", 0) + 1
    try:
        yield
    finally:
        _HELD.depth -= 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeskJob:
    """Something to be done.

    Attributes
    ----------
    words
        What it is, as the page says it.
    song
        Identifier of the song that it is for.
    run
        Does it; is told how far it is, and whether it is to stop.
    kind
        A waiting job of the same kind and song is replaced by a later one; a short one that runs is stopped, too.
    short
        Done beside a long job, which waits.
    background
        Done when nothing that was asked for is left.
    best_so_far
        Ends by itself, and with a result, when it is to stop; any other ends where it next tells how far it is.
    """

    words: str
    song: str
    run: Callable[[Progress, Stop], None]
    kind: str
    short: bool = False
    background: bool = False
    best_so_far: bool = False


@dataclass(slots=True, eq=False)
class _Queued:
    job: DeskJob
    number: int
    due: float
    stop: threading.Event = field(default_factory=threading.Event)
    phase: str = ""
    share: float = 0.0

    def plain(self) -> dict[str, Any]:
        return {"job": self.number, "words": self.job.words, "song": self.job.song}


@dataclass(frozen=True, slots=True, kw_only=True)
class Doing:
    """What is being done, and how far it is; no words where nothing is.

    Attributes
    ----------
    job
        Its number, by which it is stopped.
    words, song, share
        What, for which song, and the share done, 0 to 1.
    phase
        What of it is being done.
    waiting
        Jobs that were asked for and have not begun: `job`, `words` and `song` of each.
    left
        Jobs in the background that have not ended.
    """

    job: int | None = None
    words: str = ""
    song: str = ""
    share: float = 0.0
    phase: str = ""
    waiting: tuple[dict[str, Any], ...] = ()
    left: int = 0

    def plain(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "job": self.job,
            "words": self.words,
            "song": self.song,
            "share": round(self.share, 3),
            "phase": self.phase,
            "waiting": list(self.waiting),
            "left": self.left,
        }


class WorkQueue:
    """The queue and its two workers.

    Parameters
    ----------
    watched
        Called whenever something begins, moves or ends; `doing` has what.
    failed
        Told what an error says, and of which song.
    """

    def __init__(self, watched: Callable[[], None], failed: Callable[[str, str], None]) -> None:
        self._watched, self._failed = watched, failed
        self._changed = threading.Condition()
        self._waiting: list[_Queued] = []
        self._running: dict[bool, _Queued] = {}
        self._listening = self._number = 0
        self._ended = False
        self._threads = [
            threading.Thread(target=self._run, args=(short,), name=f"desk {name}", daemon=True)
            for short, name in ((False, "long"), (True, "short"))
        ]
        for thread in self._threads:
            thread.start()

    def submit(self, job: DeskJob, after_s: float = 0.0) -> int:
        """Put a job into the queue, not to begin before so many seconds; returns its number.

        Raises
        ------
        UsageError
            When too many are waiting.
        """
        with self._changed:
            self._drop(job.kind, job.song)
            if sum(not one.job.background for one in self._waiting) >= _MOST_WAITING and not job.background:
                raise UsageError(f"{_MOST_WAITING} jobs are waiting already. Stop one, or wait until one is done.")
            self._number += 1
            number = self._number
            self._waiting.append(_Queued(job, number, time.monotonic() + after_s))
            self._changed.notify_all()
        self._watched()
        return number

    def put_off(self, kind: str, song: str) -> None:
        """Drop a waiting job, and stop a short one that runs: something newer is coming."""
        with self._changed:
            self._drop(kind, song)

    def first(self, kind: str, song: str) -> None:
        """Let a waiting job be the first of its sort."""
        with self._changed:
            mine = [one for one in self._waiting if (one.job.kind, one.job.song) == (kind, song)]
            self._waiting = mine + [one for one in self._waiting if one not in mine]

    def stop(self, number: int | None = None) -> None:
        """Stop a job by its number, or what is being done; one that waits goes, one that is over is nothing to stop."""
        with self._changed:
            running = [one for one in self._running.values() if number in (None, one.number)]
            for one in running:
                one.stop.set()
            self._waiting = [one for one in self._waiting if one.number != number]
            self._changed.notify_all()
        self._watched()

    def close(self, wait_s: float) -> bool:
        """End everything, and wait so long for it; whether all of it has ended."""
        with self._changed:
            self._ended = True
            self._waiting.clear()
            for one in self._running.values():
                one.stop.set()
            self._changed.notify_all()
        until = time.monotonic() + wait_s
        for thread in self._threads:
            thread.join(max(0.0, until - time.monotonic()))
        return not any(thread.is_alive() for thread in self._threads)

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Hold long work while a turn is being solved."""
        with self._changed:
            self._listening += 1
        try:
            yield
        finally:
            with self._changed:
                self._listening -= 1
                self._changed.notify_all()

    def doing(self) -> Doing:
        """What is being done now: the long job, or the short one where there is no long one."""
        with self._changed:
            asked = tuple(one.plain() for one in self._waiting if not one.job.background and not one.job.short)
            left = sum(one.job.background for one in (*self._waiting, *self._running.values()))
            now = self._running.get(False) or self._running.get(True)
            if now is None:
                return Doing(waiting=asked, left=left)
            return Doing(
                job=now.number,
                words=now.job.words,
                song=now.job.song,
                share=now.share,
                phase=now.phase,
                waiting=asked,
                left=left,
            )

    def _drop(self, kind: str, song: str) -> None:
        for one in [one for one in self._waiting if (one.job.kind, one.job.song) == (kind, song)]:
            self._waiting.remove(one)
        now = self._running.get(True)
        if now is not None and (now.job.kind, now.job.song) == (kind, song):
            now.stop.set()

    def _next(self, short: bool) -> _Queued | None:
        """Wait for the next job of one worker; None at the end."""
        while not self._ended:
            mine = [one for one in self._waiting if one.job.short == short]
            due = [one for one in mine if one.due <= time.monotonic()]
            if due:
                chosen = min(due, key=lambda one: one.job.background)
                self._waiting.remove(chosen)
                return chosen
            self._changed.wait(max(0.0, min(one.due for one in mine) - time.monotonic()) if mine else None)
        return None

    def _run(self, short: bool) -> None:
        if not short and sys.platform == "linux":  # where a thread has a priority of its own
            with suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICE)
        while True:
            with self._changed:
                queued = self._next(short)
                if queued is None:
                    return
                self._running[short] = queued
            self._watched()
            try:
                self._carry_out(queued)
            finally:
                with self._changed:
                    del self._running[short]
                    self._changed.notify_all()
                del queued
            self._watched()

    def _carry_out(self, queued: _Queued) -> None:
        job = queued.job

        def progress(words: str, share: float) -> None:
            queued.phase, queued.share = words, share
            self._watched()
            if not job.short and not getattr(_HELD, "depth", 0):
                with self._changed:
                    self._changed.wait_for(lambda: queued.stop.is_set() or not (self._listening or self._heard_next()))
            if self._ended or (queued.stop.is_set() and not job.best_so_far):
                raise StoppedError(f"Stopped: {job.words}.")

        try:
            job.run(progress, queued.stop.is_set)
        except StoppedError as error:
            if not (self._ended or job.short):
                self._failed(job.song, str(error))
        except AutochainError as error:
            self._failed(job.song, str(error))
        except Exception as error:  # a fault of ours must not end the worker
            self._failed(job.song, f"a fault of the program, not of yours: {type(error).__name__} ({error}).")

    def _heard_next(self) -> bool:
        """Whether a short job runs or is due."""
        due = any(one.job.short and one.due <= time.monotonic() for one in self._waiting)
        return due or True in self._running
