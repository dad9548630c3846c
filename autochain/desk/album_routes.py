"""The album's page, its actions and the sound of its gaps."""

from collections.abc import Callable
from typing import Annotated, Literal

from markupsafe import Markup
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from autochain.album.report import to_blocks
from autochain.desk.album_view import AlbumPart, album_part
from autochain.desk.desk import Desk
from autochain.desk.pages import rendered
from autochain.desk.work import DeskJob
from autochain.document.as_html import html
from autochain.errors import UsageError
from autochain.progress import Progress, Stop

_SONG = "album"  # for what the work is, where no song is meant


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, strict=True)


class _Order(_Asked):
    action: Literal["order"]
    files: list[str]


class _Song(_Asked):
    action: Literal["song"]
    file: str
    title: str | None = None
    offset_lu: float | None = None
    runs_into_next: bool | None = None


class _Wish(_Asked):
    action: Literal["wish"]
    levels: str | None = None
    lufs: float | None = None
    ceiling_dbtp: float | None = None
    same_settings: float | None = None


class _Plain(_Asked):
    action: Literal["master", "stop"]


_ASKED: TypeAdapter[_Order | _Song | _Wish | _Plain] = TypeAdapter(
    Annotated[_Order | _Song | _Wish | _Plain, Field(discriminator="action")]
)


def routes(desk: Desk) -> list[Route]:
    """All of the album's."""

    async def page(request: Request) -> Response:
        return HTMLResponse(
            await run_in_threadpool(
                lambda: rendered("album.html", album=_part(desk), overview=Markup(desk.album_overview))
            )
        )

    async def do(request: Request) -> Response:
        body = await request.body()
        return JSONResponse({"fragments": await run_in_threadpool(_done, desk, body)})

    async def gap(request: Request) -> Response:
        heard = await run_in_threadpool(desk.album.heard_across, request.path_params["place"])
        return Response(
            heard.samples.astype("<f4", copy=False).tobytes(),
            media_type="application/octet-stream",
            headers={
                "x-rate": str(heard.rate_hz),
                "x-channels": str(heard.samples.shape[1]),
                "x-seam": f"{heard.seam_s:.6f}",
            },
        )

    return [
        Route("/album", page),
        Route("/album/do", do, methods=["POST"]),
        Route("/album/gap/{place:int}", gap),
    ]


def _part(desk: Desk) -> AlbumPart:
    checked = {str(song.path.resolve()): desk.checked[song.id] for song in desk.songs if song.id in desk.checked}
    return album_part(desk.album, checked)


def _fragment(desk: Desk) -> str:
    return rendered("album_part.html", album=_part(desk))


def _done(desk: Desk, body: bytes) -> dict[str, str]:
    """Carry out what the page asks; the parts that are another now."""
    try:
        asked = _ASKED.validate_json(body)
    except ValidationError as error:
        raise UsageError(f"the page asked for what the desk does not know ({error.errors()[0]['msg']}).") from None
    match asked:
        case _Order(files=files):
            desk.album.ordered(files)
        case _Song(file=file):
            given = asked.model_dump(exclude={"action", "file"}, exclude_unset=True)
            desk.album.changed(file, **given)
        case _Wish():
            desk.album.wished(**asked.model_dump(exclude={"action"}, exclude_unset=True))
        case _Plain(action="stop"):
            desk.work.stop()
        case _Plain():
            desk.work.submit(DeskJob(words="mastering the album", song=_SONG, run=_job(desk), kind="album"))
    return {"album": _fragment(desk)}


def _job(desk: Desk) -> Callable[[Progress, Stop], None]:
    def run(progress: Progress, stop: Stop) -> None:
        try:
            found = desk.album.master(lambda words: desk.said("", words), progress)
            desk.album_overview = "".join(html(to_blocks(found.album)))
            for failure in found.failures:
                desk.said("", failure.reason)
        finally:
            desk.events.tell("fragment", song=None, id="album", html=_fragment(desk))
        overview = f'<section id="album-overview">{desk.album_overview}</section>'
        desk.events.tell("fragment", song=None, id="album-overview", html=overview)

    return run
