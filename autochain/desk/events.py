"""What happens on the desk, told to every page that is open: from any thread, to any number of readers."""

import asyncio
import json
import threading
from collections.abc import AsyncIterator
from typing import Any

_MOST_WAITING = 1000  # a page that does not read is dropped, and asks anew


class Events:
    """Readers of what happens; a page that comes later sees what is then."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._readers: dict[asyncio.Queue[str | None], asyncio.AbstractEventLoop] = {}

    def tell(self, kind: str, **facts: Any) -> None:
        """Tell all readers of one thing, as JSON."""
        text = json.dumps({"kind": kind, **facts})
        with self._lock:
            readers = list(self._readers.items())
        for queue, loop in readers:
            loop.call_soon_threadsafe(_put, queue, text)

    async def read(self) -> AsyncIterator[str]:
        """What happens from now on, one JSON text each."""
        queue: asyncio.Queue[str | None] = asyncio.Queue(_MOST_WAITING)
        with self._lock:
            self._readers[queue] = asyncio.get_running_loop()
        try:
            while (text := await queue.get()) is not None:
                yield text
        finally:
            with self._lock:
                self._readers.pop(queue, None)

    def close(self) -> None:
        """Let all readers go."""
        with self._lock:
            readers = list(self._readers.items())
        for queue, loop in readers:
            loop.call_soon_threadsafe(_put, queue, None)


def _put(queue: "asyncio.Queue[str | None]", text: str | None) -> None:
    if queue.full():  # behind for good: what is left is thrown away, and the page connects again
        while not queue.empty():
            queue.get_nowait()
        text = None
    queue.put_nowait(text)
