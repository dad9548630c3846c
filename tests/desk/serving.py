"""A desk that is served for real, beside the test."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from autochain.desk.desk import Desk
from autochain.desk.server import listening, serve


@contextmanager
def served(desk: Desk, port: int = 0) -> Iterator[str]:
    """Give its address with the token; it ends with the block."""
    ended, known, addresses = threading.Event(), threading.Event(), []

    def ready(address: str, once: str) -> None:
        addresses.append(address)
        known.set()

    thread = threading.Thread(target=serve, args=(desk, listening(port), ready, ended))
    thread.start()
    try:
        assert known.wait(30.0)
        yield addresses[0]
    finally:
        ended.set()
        thread.join(30.0)
    assert not thread.is_alive()
