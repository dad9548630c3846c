"""Requests to an ASGI application without a server between, and a desk of short mixes."""

import asyncio
from collections.abc import Coroutine, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

import numpy as np
import soundfile
from starlette.types import ASGIApp, Message

from autochain.desk.desk import Desk
from autochain.desk.guard import Guard, cookie_name
from autochain.desk.server import app

PORT, TOKEN = 4711, "a-secret-of-this-test"
HOST = f"127.0.0.1:{PORT}"
RATE_HZ = 44100

Header = tuple[str, str]
T = TypeVar("T")


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    body: bytes


def own(method: str = "GET") -> list[Header]:
    """Headers that a browser sends for the desk's own page."""
    given = [("host", HOST), ("cookie", f"{cookie_name(PORT)}={TOKEN}"), ("sec-fetch-site", "same-origin")]
    return given if method in ("GET", "HEAD") else [*given, ("origin", f"http://{HOST}")]


async def asked(
    application: ASGIApp,
    method: str,
    path: str,
    headers: Sequence[Header] | None = None,
    body: Iterable[bytes] = (),
    *,
    query: str = "",
    breaks_off: bool = False,
) -> Answer:
    blocks, brought = list(body), own(method) if headers is None else headers
    told: list[Message] = []

    async def receive() -> Message:
        if not blocks and breaks_off:
            return {"type": "http.disconnect"}
        if not blocks:
            return {"type": "http.request", "body": b"", "more_body": False}
        return {"type": "http.request", "body": blocks.pop(0), "more_body": bool(blocks) or breaks_off}

    async def send(message: Message) -> None:
        told.append(message)

    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "scheme": "http",
        "path": path,
        "raw_path": quote(path).encode(),
        "root_path": "",
        "query_string": query.encode("latin-1"),
        "headers": [(one.encode("latin-1"), given.encode("latin-1")) for one, given in brought],
        "client": ("127.0.0.1", 50000),
        "server": ("127.0.0.1", PORT),
    }
    await application(scope, receive, send)
    start = next(one for one in told if one["type"] == "http.response.start")
    return Answer(
        status=start["status"],
        headers={name.decode().lower(): value.decode() for name, value in start["headers"]},
        body=b"".join(one.get("body", b"") for one in told if one["type"] == "http.response.body"),
    )


def in_a_loop(call: Coroutine[Any, Any, T]) -> T:
    """What it gives, in a thread of its own: where a browser is driven, the test's own thread has a loop already."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, call).result()


def ask(*arguments: Any, **more: Any) -> Answer:
    return in_a_loop(asked(*arguments, **more))


def guarded(desk: Desk) -> Guard:
    return Guard(app(desk), TOKEN, PORT)


def write_mix(path: Path, seconds: float = 4.0, seed: int = 1, channels: int = 2) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    sound = 0.05 * np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), channels))
    soundfile.write(path, sound, RATE_HZ, subtype="PCM_24")
    return path


@contextmanager
def desk_of(folder: Path, *names: str) -> Any:
    """A desk over `mixes`, which are not waited for."""
    for seed, name in enumerate(names):
        write_mix(folder / "mixes" / name, seed=seed)
    (folder / "mixes").mkdir(exist_ok=True)
    desk = Desk([folder / "mixes"], folder / "out")
    try:
        yield desk
    finally:
        desk.close()


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())
