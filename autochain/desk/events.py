"""What happens on the desk, told to every page that is open: from any thread, to a few readers.

A reader is told what is now, not all that was: of each part of the page, of the work and of the versions only the
latest waits for it. So what waits is bounded, and a page that reads slowly misses nothing.
"""

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import suppress
from typing import Any

from starlette.concurrency import run_in_threadpool

_BETWEEN_S = 0.15  # what is told more often is told once
_MOST_READERS = 4  # of a browser's six connections to one host, for all its tabs, two are left for sound and actions
_MOST_LINES = 20

About = tuple[str, str]  # kind, and of which part of a page
# A message, or what makes it when it is sent.
Told = Mapping[str, Any] | Callable[[], Mapping[str, Any]]


class _Reader:
    """One page: what waits for it, by what it is about."""

    def __init__(self, song: str | None) -> None:
        self.song = song
        self.loop, self.wake = asyncio.get_running_loop(), asyncio.Event()
        self.waiting: dict[About, Told] = {}
        self.lines: list[Told] = []
        self.away = False

    def nudge(self) -> None:
        with suppress(RuntimeError):  # the server has ended
            self.loop.call_soon_threadsafe(self.wake.set)


class Events:
    """Readers of what happens."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._readers: list[_Reader] = []
        self._ended = False

    def tell(self, kind: str, song: str | None = None, **facts: Any) -> None:
        """Tell the readers of a song, or of the pages of all (None): the latest of a kind, and of an `id` where given."""
        self.changed((kind, str(facts.get("id", ""))), {"kind": kind, "song": song, **facts}, song)

    def changed(self, about: About, told: Told, song: str | None = None, *, everywhere: bool = False) -> None:
        """Tell the readers of a song, of the pages of all (None) or everybody; it replaces what waits about the same."""
        with self._lock:
            for reader in self._readers:
                if everywhere or reader.song == song:
                    reader.waiting[about] = told
                    reader.nudge()

    def say(self, words: str, song: str | None) -> None:
        """Tell one line to the readers of a song and of the songs page; None tells all."""
        told = {"kind": "said", "song": song, "words": words}
        with self._lock:
            for reader in self._readers:
                if song is None or reader.song in (song, None):
                    reader.lines = [*reader.lines[1 - _MOST_LINES :], told]
                    reader.nudge()

    @property
    def readers(self) -> int:
        """How many pages listen."""
        return len(self._readers)

    async def read(self, song: str | None, first: Iterable[tuple[About, Told]]) -> AsyncIterator[str]:
        """What is told from now on, behind what is told first: one JSON text each."""
        reader = _Reader(song)
        reader.waiting.update(first)
        reader.wake.set()
        with self._lock:
            if self._ended:
                return
            self._readers.append(reader)
            for one in self._readers[:-_MOST_READERS]:
                one.away = True
                one.nudge()
        try:
            while True:
                await reader.wake.wait()
                reader.wake.clear()
                with self._lock:
                    told = [*reader.waiting.values(), *reader.lines]
                    reader.waiting, reader.lines = {}, []
                if reader.away:
                    yield json.dumps({"kind": "away"})
                if reader.away or self._ended:
                    return
                for one in told:
                    yield json.dumps(await run_in_threadpool(one) if callable(one) else one)
                await asyncio.sleep(_BETWEEN_S)
        finally:
            with self._lock:
                self._readers.remove(reader)

    def close(self) -> None:
        """Let all readers go."""
        with self._lock:
            self._ended = True
            for reader in self._readers:
                reader.nudge()
