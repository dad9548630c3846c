"""Long work of the desk: one job at a time, and listening before searching.

A short job is done inside a long one, whenever that tells how far it is; and while a turned knob is being solved, the
long one waits there.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from autochain.errors import AutochainError
from autochain.progress import Progress, Stop

_LISTENING_S = 2.0  # longest that a long job waits for a turn


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Job:
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
        A waiting job of the same kind and song is replaced by a later one.
    short
        Done before long ones, also in the middle of one.
    """

    words: str
    song: str
    run: Callable[[Progress, Stop], None]
    kind: str
    short: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Doing:
    """What is being done, and how far it is; no words where nothing is."""

    words: str = ""
    song: str = ""
    share: float = 0.0
    waiting: int = 0


class Work:
    """The queue and its worker.

    Parameters
    ----------
    watched
        Told whenever something begins, moves or ends.
    failed
        Told what an error says, and of which song.
    """

    def __init__(self, watched: Callable[[Doing], None], failed: Callable[[str, str], None]) -> None:
        self._watched, self._failed = watched, failed
        self._lock = threading.Condition()
        self._waiting: deque[Job] = deque()
        self._now: Job | None = None
        self._stop = threading.Event()
        self._ended = False
        self._listening = 0
        self._thread = threading.Thread(target=self._run, name="work", daemon=True)
        self._thread.start()

    def submit(self, job: Job) -> None:
        """Put a job where it belongs in the queue."""
        with self._lock:
            same = [one for one in self._waiting if (one.kind, one.song) == (job.kind, job.song)]
            for one in same:
                self._waiting.remove(one)
            self._waiting.append(job)
            self._lock.notify_all()

    def stop(self) -> None:
        """End what is being done with the best so far."""
        self._stop.set()

    def close(self) -> None:
        """End everything; what is under way is left where it is."""
        with self._lock:
            self._ended = True
            self._waiting.clear()
            self._stop.set()
            self._lock.notify_all()

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Hold long work while a turn is being solved."""
        with self._lock:
            self._listening += 1
        try:
            yield
        finally:
            with self._lock:
                self._listening -= 1
                self._lock.notify_all()

    def _next(self, *, short: bool) -> Job | None:
        for job in self._waiting:
            if job.short or not short:
                chosen = next((one for one in self._waiting if one.short), job)
                self._waiting.remove(chosen)
                return chosen
        return None

    def _run(self) -> None:
        while True:
            with self._lock:
                while (job := self._next(short=False)) is None and not self._ended:
                    self._lock.wait()
            if job is None:
                return
            self._stop.clear()
            self._now = job
            self._carry_out(job)
            self._now = None
            self._watched(Doing(waiting=len(self._waiting)))

    def _carry_out(self, job: Job) -> None:
        def progress(words: str, share: float) -> None:
            self._watched(
                Doing(words=words or job.words, song=job.song, share=share, waiting=len(self._waiting))
            )
            with self._lock:
                self._lock.wait_for(lambda: not self._listening or self._ended, _LISTENING_S)
                between = None if job.short else self._next(short=True)
            while between is not None:
                self._carry_out(between)
                with self._lock:
                    between = self._next(short=True)

        progress(job.words, 0.0)
        try:
            job.run(progress, self._stop.is_set)
        except AutochainError as error:
            self._failed(job.song, str(error))
        except Exception as error:  # a fault of ours must not end the worker
            self._failed(job.song, f"a fault of the program, not of yours: {type(error).__name__} ({error}).")
