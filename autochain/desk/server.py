"""The desk's pages, actions and sound over HTTP, on this computer alone."""

import secrets
import socket
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from autochain.desk import album_routes
from autochain.desk.abx import said
from autochain.desk.desk import Desk
from autochain.desk.guard import Guard
from autochain.desk.pages import rendered
from autochain.desk.song_view import song_parts
from autochain.desk.songs_view import songs_part
from autochain.errors import AutochainError
from autochain.measure.loudness import integrated_lufs, weighted_hops

_STATIC = {f"{name}.css": "text/css" for name in ("desk", "listen")} | {
    f"{name}.js": "text/javascript" for name in ("sound", "blind", "listen", "desk", "album")
}


def app(desk: Desk) -> Starlette:
    """All routes over one desk."""

    def page(template: str, **facts: Any) -> HTMLResponse:
        return HTMLResponse(rendered(template, **facts))

    async def songs(request: Request) -> Response:
        return page("songs.html", songs=await run_in_threadpool(songs_part, desk))

    async def song(request: Request) -> Response:
        opened = await run_in_threadpool(desk.opened, request.path_params["song"])
        parts = await run_in_threadpool(song_parts, opened)
        facts = {
            "song": opened.files.id,
            "rate_hz": opened.mix.rate_hz,
            "channels": opened.mix.channels,
            "frames": opened.frames,
            "versions": [version.plain() for version in opened.versions()],
        }
        return page("song.html", name=opened.files.path.name, parts=parts, facts=facts)

    async def do(request: Request) -> Response:
        asked = await request.json()
        opened = await run_in_threadpool(desk.opened, request.path_params["song"])
        return JSONResponse(await run_in_threadpool(_done, desk, opened, asked))

    async def sound(request: Request) -> Response:
        opened = await run_in_threadpool(desk.opened, request.path_params["song"])
        asked = {name: int(request.query_params[name]) for name in ("revision", "first", "frames")}
        samples = await run_in_threadpool(lambda: opened.sound(request.path_params["key"], **asked))
        return Response(
            samples.astype("<f4", copy=False).tobytes(),
            media_type="application/octet-stream",
            headers={"x-rate": str(opened.mix.rate_hz), "x-channels": str(opened.mix.channels)},
        )

    async def loudness(request: Request) -> Response:
        opened = await run_in_threadpool(desk.opened, request.path_params["song"])
        asked = {name: int(request.query_params[name]) for name in ("revision", "first", "frames")}

        def measured() -> float | None:
            samples = opened.sound(request.path_params["key"], **asked)
            return integrated_lufs(weighted_hops(samples, opened.mix.rate_hz))

        return JSONResponse({"lufs": await run_in_threadpool(measured)})

    async def events(request: Request) -> Response:
        async def lines() -> AsyncIterator[str]:
            yield "retry: 1000\n\n"
            async for text in desk.events.read():
                yield f"data: {text}\n\n"

        return StreamingResponse(lines(), media_type="text/event-stream")

    async def static(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _STATIC:
            raise HTTPException(404)
        return Response((Path(__file__).parent / name).read_bytes(), media_type=_STATIC[name])

    async def refused(request: Request, error: Exception) -> Response:
        return JSONResponse({"error": str(error)}, 400)

    return Starlette(
        routes=[
            Route("/", songs),
            Route("/events", events),
            *album_routes.routes(desk),
            Route("/static/{name}", static),
            Route("/song/{song}", song),
            Route("/song/{song}/do", do, methods=["POST"]),
            Route("/song/{song}/sound/{key}", sound),
            Route("/song/{song}/loudness/{key}", loudness),
        ],
        exception_handlers={AutochainError: refused},
    )


def _done(desk: Desk, opened: Any, asked: dict[str, Any]) -> dict[str, Any]:
    """Carry out an action of the page."""
    if asked["action"] == "choose":
        return {}
    if asked["action"] == "abx":
        return {"words": said(asked["right"], asked["of"], asked["planned"])}
    with desk.work.listening():
        if asked["action"] == "turn":
            heard = opened.turn(asked["stage"], asked["parameter"], asked["value"], asked["at_s"])
        else:
            heard = opened.place(asked["start_s"])
    return {"place": heard.plain(), "versions": [version.plain() for version in opened.versions()], "fragments": {}}


def serve(desk: Desk, port: int, ready: Callable[[str], None]) -> None:
    """Listen on 127.0.0.1 until Ctrl-C; `ready` is told the address with its token."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    own = listener.getsockname()[1]
    token = secrets.token_urlsafe(32)
    config = uvicorn.Config(
        Guard(app(desk), token, own), log_level="warning", access_log=False, timeout_graceful_shutdown=1, lifespan="off"
    )
    ready(f"http://127.0.0.1:{own}/?token={token}")
    uvicorn.Server(config).run(sockets=[listener])
