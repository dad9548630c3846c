"""The desk's pages, actions and sound over HTTP, on this computer alone."""

import asyncio
import json
import secrets
import signal
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from autochain.audio.mix import Samples
from autochain.desk import album_routes
from autochain.desk.actions import act, read_action
from autochain.desk.desk import SONGS, VERSIONS, Desk, NotOpenError, in_one_line
from autochain.desk.events import PART, Message
from autochain.desk.facts import SongFacts
from autochain.desk.facts_of import facts_of
from autochain.desk.folder import folder_of_mixes
from autochain.desk.guard import Guard
from autochain.desk.open_song import OpenSong
from autochain.desk.pages import rendered
from autochain.desk.pages import static as static_file
from autochain.desk.song_view import PARTS, fragment, song_page
from autochain.desk.songs_view import songs_fragment, songs_part
from autochain.desk.uploads import TooLargeError, receive
from autochain.errors import AutochainError, UsageError
from autochain.measure.loudness import integrated_lufs, weighted_hops

HOST = "127.0.0.1"
_LONGEST_SOUND_S = 30.0  # of one request; a limit of this project
_SLOWEST_S = 20.0  # longest between two blocks of an upload
_MOST_UPLOADS = 2  # at the same time
_MOST_HEADER_BYTES = 16_384
_MOST_CONNECTIONS = 64
_KEPT_S = 120  # an idle connection: a turn after a pause begins at once
_GRACE_S = 1


def app(desk: Desk) -> Starlette:
    """All routes over one desk."""
    uploading = asyncio.Semaphore(_MOST_UPLOADS)

    async def songs(request: Request) -> Response:
        await run_in_threadpool(desk.look)
        return HTMLResponse(await run_in_threadpool(lambda: rendered("songs.html", songs=songs_part(desk))))

    async def song(request: Request) -> Response:
        return HTMLResponse(await run_in_threadpool(_song_page, desk, request.path_params["song"]))

    async def do(request: Request) -> Response:
        body, name = await request.body(), request.path_params.get("song")

        def done() -> dict[str, Any]:
            return act(read_action(body), desk, None if name is None else desk.now_open(name)).plain()

        return JSONResponse(await run_in_threadpool(done))

    def asked_for(request: Request) -> tuple[OpenSong, Callable[[], Samples]]:
        opened, key = desk.now_open(request.path_params["song"]), request.path_params["key"]
        revision, first, frames = (_number(request, name) for name in ("revision", "first", "frames"))
        if frames > _LONGEST_SOUND_S * opened.mix.rate_hz:
            raise UsageError(f"{frames} frames are more than {_LONGEST_SOUND_S:g} s. Ask for fewer at once.")
        return opened, lambda: opened.sound(key, revision, first, frames)

    async def loudness(request: Request) -> Response:
        opened, samples = asked_for(request)
        lufs = await run_in_threadpool(lambda: integrated_lufs(weighted_hops(samples(), opened.mix.rate_hz)))
        return JSONResponse({"lufs": lufs})

    async def sound(request: Request) -> Response:
        opened, samples = asked_for(request)
        return Response(
            await run_in_threadpool(lambda: samples().astype("<f4", copy=False).tobytes()),
            media_type="application/octet-stream",
            headers={"x-rate": str(opened.mix.rate_hz), "x-channels": str(opened.mix.channels)},
        )

    async def events(request: Request) -> Response:
        name = request.query_params.get("song")
        if name is not None:
            desk.song(name)
        again = "again" in request.query_params or "last-event-id" in request.headers

        async def lines() -> AsyncIterator[str]:
            yield "retry: 1000\n\n"
            first = [{"kind": PART, "id": part} for part in (_parts(name) if again else ())]
            async for message in desk.events.read(name, [desk.work_now(), *first]):
                told = message if message["kind"] != PART else await run_in_threadpool(_shown, desk, name, message)
                yield f"id: 1\ndata: {json.dumps(told)}\n\n"

        return StreamingResponse(lines(), media_type="text/event-stream")

    async def upload(request: Request) -> Response:
        asked, name = request.query_params.get("as", ""), request.query_params.get("song")
        folder, then = _place_of(desk, asked, name)
        if uploading.locked():
            raise UsageError(f"{_MOST_UPLOADS} files are being copied. Drop it again when they are there.")
        length = request.headers.get("content-length", "")
        async with uploading:
            path = await receive(
                request.path_params["name"], folder, _unhurried(request), int(length) if length.isdecimal() else None
            )
        said = await run_in_threadpool(then, path)
        return JSONResponse({"name": path.name, "song": name, **({"said": said} if said else {})})

    async def static(request: Request) -> Response:
        found = static_file(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        return Response(found[0], media_type=found[1])

    return Starlette(
        routes=[
            Route("/", songs),
            Route("/do", do, methods=["POST"]),
            Route("/favicon.ico", lambda request: Response(status_code=204)),
            Route("/events", events),
            *album_routes.routes(desk),
            Route("/static/{name}", static),
            Route("/files/{name}", upload, methods=["PUT"]),
            Route("/song/{song}", song),
            Route("/song/{song}/do", do, methods=["POST"]),
            Route("/song/{song}/sound/{key}", sound),
            Route("/song/{song}/loudness/{key}", loudness),
        ],
        exception_handlers={
            AutochainError: _refused,
            HTTPException: _refused,
            ClientDisconnect: _refused,
            Exception: _refused,
        },
    )


def _song_page(desk: Desk, name: str) -> str:
    opened = desk.opened(name)
    player = {
        "song": name,
        "rate_hz": opened.mix.rate_hz,
        "channels": opened.mix.channels,
        "frames": opened.frames,
        "versions": _plain_versions(opened),
    }
    return song_page(_facts(desk, opened), player)


def _facts(desk: Desk, song: OpenSong) -> SongFacts:
    return facts_of(song, desk.checked.get(song.files.id))


def _plain_versions(song: OpenSong) -> list[dict[str, Any]]:
    return [version.plain() for version in song.versions()]


def _parts(song: str | None) -> tuple[str, ...]:
    return (SONGS,) if song is None else (*PARTS, VERSIONS)


def _shown(desk: Desk, song: str | None, message: Message) -> Message:
    """What shows a part as it is now."""
    part = message["id"]
    try:
        if song is None:
            return {"kind": "fragment", "song": None, "id": part, "html": songs_fragment(desk)}
        opened = desk.now_open(song)
        if part == VERSIONS:
            return {"kind": VERSIONS, "song": song, "versions": _plain_versions(opened)}
        html = fragment(part, _facts(desk, opened))
        return {"kind": "fragment", "song": song, "id": part, "html": html}
    except Exception as error:  # one part that cannot be drawn must not silence the others
        return {"kind": "said", "song": song, "words": _line(error)}


def _place_of(desk: Desk, asked: str, song: str | None) -> tuple[Path, Callable[[Path], str | None]]:
    """The folder that a dropped file goes to, and what is done when it is there: it gives what is to be said."""
    if asked == "mix":
        return folder_of_mixes(desk.sources), lambda path: desk.look()
    if asked not in ("bounce", "reference") or song is None:
        raise UsageError("a file is dropped as a mix, or as a bounce or a reference of one song.")
    opened = desk.now_open(song)
    if asked == "bounce":
        return opened.files.bounces, lambda path: desk.bounced(opened, path)
    return opened.files.references, lambda path: desk.referred(opened, path)


def _number(request: Request, name: str) -> int:
    given = request.query_params.get(name, "")
    if not (given.isascii() and given.isdecimal() and len(given) <= 12):
        raise UsageError(f"{name} is no whole number. Load the page again.")
    return int(given)


async def _unhurried(request: Request) -> AsyncIterator[bytes]:
    """Blocks of a body; UsageError where none comes for long, or no more come."""
    blocks = request.stream()
    while True:
        try:
            yield await asyncio.wait_for(anext(blocks), _SLOWEST_S)
        except StopAsyncIteration:
            return
        except TimeoutError:
            raise UsageError(f"nothing of the file came for {_SLOWEST_S:g} s. Drop it again.") from None


async def _refused(request: Request, error: Exception) -> Response:
    status = 400
    if isinstance(error, HTTPException):
        status = error.status_code
    elif isinstance(error, NotOpenError):
        status = 409
    elif isinstance(error, TooLargeError | ClientDisconnect):
        status = 413
    elif not isinstance(error, AutochainError):
        status = 500
    return JSONResponse({"error": _line(error)}, status)


def _line(error: Exception) -> str:
    if isinstance(error, AutochainError):
        return in_one_line(error)
    if isinstance(error, HTTPException):
        return {404: "there is no such page.", 405: "the desk knows no such method."}.get(
            error.status_code, error.detail
        )
    if isinstance(error, ClientDisconnect):
        return "that is too long, or broke off."
    return f"a fault of the program, not of yours: {type(error).__name__} ({error})."


def serve(
    desk: Desk, listener: socket.socket, ready: Callable[[str, str], None], ended: threading.Event | None = None
) -> None:
    """Listen on 127.0.0.1 until Ctrl-C or SIGTERM, then close the desk.

    Parameters
    ----------
    desk
        What is served.
    listener
        Where to listen, as `listening` gives it.
    ready
        Told the address with its token, and one that opens the desk once: what a browser is started with, everybody on
        this computer can read.
    ended
        Set from elsewhere it ends this, too.
    """
    own = int(listener.getsockname()[1])
    token, once = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
    config = uvicorn.Config(
        Guard(app(desk), token, own, once),
        http="h11",
        loop="asyncio",
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="critical",  # what strangers try is no news for the terminal
        access_log=False,
        proxy_headers=False,
        server_header=False,
        limit_concurrency=_MOST_CONNECTIONS,
        h11_max_incomplete_event_size=_MOST_HEADER_BYTES,
        timeout_keep_alive=_KEPT_S,
        timeout_graceful_shutdown=_GRACE_S,
    )
    server = uvicorn.Server(config)
    # Beside the main thread, which alone hears of signals: so they end the desk in our order and with our exit code.
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="desk server", daemon=True)
    ended = threading.Event() if ended is None else ended
    with _ended_by_signals(ended):
        thread.start()
        ready(*(f"http://{HOST}:{own}/?token={one}" for one in (token, once)))
        while thread.is_alive() and not ended.wait(1.0):
            pass
    server.should_exit = True
    desk.close()
    thread.join(2 * _GRACE_S)


def listening(port: int) -> socket.socket:
    """Give a socket that listens on 127.0.0.1 alone, on a port of its own or, of 0, on one that the system chooses.

    Raises
    ------
    UsageError
        A port that is taken, or that only the system's own programs may use.
    """
    # Named TCP in full: only then asyncio sends small answers at once, without waiting 40 ms for a receipt.
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    # A port is free again at once after a desk has ended; Windows would share it with whoever asks.
    exclusive = getattr(socket, "SO_EXCLUSIVEADDRUSE", None)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR if exclusive is None else exclusive, 1)
    try:
        listener.bind((HOST, port))
        listener.listen()  # another that was quicker between the two is noticed here
    except OSError as error:
        listener.close()
        raise UsageError(
            f"port {port} cannot be used ({error.strerror}). Choose another with --port, or leave it to the system."
        ) from None
    return listener


@contextmanager
def _ended_by_signals(ended: threading.Event) -> Iterator[None]:
    """Let Ctrl-C and SIGTERM set an event, where signals can be heard."""

    def on_signal(signum: int, frame: FrameType | None) -> None:
        ended.set()

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {one: signal.signal(one, on_signal) for one in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)
