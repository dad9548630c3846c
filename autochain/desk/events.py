"""What happens on the desk, told to every page that is open: from any thread, to a few readers.

A reader is told what is now, not all that was: of each part of a page, of the work and of the like only the latest
waits for it. So what waits is bounded, and a page that reads slowly misses nothing.
"""

import asyncio
import threading
from collections.abc import AsyncIterator, Iterable, Mapping
from contextlib import suppress
from typing import Any

Message = Mapping[str, Any]

EVERYWHERE = "*"
PART = "part"  # the kind of a message that says which part of a page looks otherwise now, in `id`
_BETWEEN_S = 0.15  # what is told more often is told once
_MOST_READERS = 4  # of a browser's six connections to one host, for all its tabs, two are left for sound and actions
_MOST_LINES = 20


class _Reader:
    """One page: what waits for it, by kind and by what it is about, and lines that are all told."""

    def __init__(self, song: str | None) -> None:
        self.song = song
        self._loop, self.wake = asyncio.get_running_loop(), asyncio.Event()
        self.waiting: dict[tuple[str, str], Message] = {}
        self.lines: list[Message] = []
        self.away = False

    def put(self, message: Message) -> None:
        if message["kind"] == "said":
            self.lines = [*self.lines[1 - _MOST_LINES :], message]
        else:
            self.waiting[message["kind"], str(message.get("id", ""))] = message
        self.nudge()

    def nudge(self) -> None:
        with suppress(RuntimeError):  # the server has ended
            self._loop.call_soon_threadsafe(self.wake.set)


class Events:
    """Readers of what happens."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._readers: list[_Reader] = []
        self._ended = False

    def tell(self, kind: str, song: str | None = None, **facts: Any) -> None:
        """Tell the pages of a song, or of all songs (None), one thing; see `publish`."""
        self.publish(song, {"kind": kind, "song": song, **facts})

    def changed(self, song: str | None, parts: Iterable[str]) -> None:
        """Say which parts of the pages of a song, or of all songs, look otherwise now."""
        for part in parts:
            self.publish(song, {"kind": PART, "song": song, "id": part})

    def publish(self, to: str | None, message: Message) -> None:
        """Tell the pages of a song, those of all songs (None), or every page (`EVERYWHERE`).

        It takes the place of what waits of the same `kind` and the same `id`. Lines, of kind `said`, are all told,
        those of a song on the pages of all songs, too.
        """
        with self._lock:
            for reader in self._readers:
                if to in (reader.song, EVERYWHERE) or (message["kind"] == "said" and reader.song is None):
                    reader.put(message)

    @property
    def readers(self) -> int:
        """How many pages listen."""
        return len(self._readers)

    async def read(self, song: str | None, first: Iterable[Message] = ()) -> AsyncIterator[Message]:
        """What is told from now on, behind what is told first; ends when the desk does, or too many others read."""
        reader = _Reader(song)
        for message in first:
            reader.put(message)
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
                if self._ended:
                    return
                if reader.away:
                    yield {"kind": "away"}
                    return
                for message in told:
                    yield message
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
