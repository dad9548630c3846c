"""A song's page made of facts that a test sets, under the desk's own policy; what the page asks for is noted.

So what the page does is tried without a search. The whole desk is tried elsewhere.
"""

import json
import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Literal

import numpy as np
from playwright.sync_api import Browser, Page

from autochain.chain.chain import DEFAULT
from autochain.chain.settings import ChainSettings
from autochain.desk.facts import CurveFacts, CurvePoint, Known, Meter, SongFacts
from autochain.desk.folder import SongFiles
from autochain.desk.guard import POLICY
from autochain.desk.pages import static
from autochain.desk.song_view import TOUCHED, fragments, song_page
from autochain.desk.versions import HAND, MIX, SongVersion
from autochain.page.pictures.song import SongCurves
from autochain.search.costs import COST_NAMES, Costs
from autochain.sheet import Sheet

SONG = "0123456789ab"
Answer = dict[str, Any]


def costs_of(figures: Any) -> Costs:
    return Costs(**{name: getattr(figures, name) for name in COST_NAMES})


def facts_from(sheet: Sheet, folder: Path) -> SongFacts:
    """Facts of a song whose suggestion is under the hand, verified, with a curve and its course."""
    suggestion = Known(
        key="suggestion",
        name="suggestion",
        lufs=sheet.after.integrated_lufs,
        true_peak_dbtp=sheet.after.true_peak_dbtp,
        score=sheet.costs.score,
        costs=costs_of(sheet.costs),
        met=True,
        exact=True,
    )
    limiter = sheet.baselines["limiter_only"]
    seconds = sheet.mix.duration_s
    wave = np.abs(np.sin(np.linspace(0.0, 40.0, 300)))
    scores = [0.2, 0.5, 1.1, 2.0, 3.2, 4.6, 6.4, 8.8]
    return SongFacts(
        files=SongFiles(folder / sheet.mix.file, folder),
        duration_s=seconds,
        rate_hz=sheet.mix.rate_hz,
        channels=sheet.mix.channels,
        chain=DEFAULT,
        settings=DEFAULT.checked(ChainSettings({entry.stage: entry.settings for entry in sheet.stages})),
        target_lufs=sheet.target.lufs or -9.0,
        ceiling_dbtp=sheet.target.ceiling_dbtp,
        hand=replace(suggestion, key="hand", name="your settings"),
        weights=_weights(sheet),
        suggestion=suggestion,
        limiter=Known(
            key="limiter_alone", name="limiter alone", lufs=limiter.integrated_lufs, score=limiter.score,
            costs=costs_of(limiter), met=limiter.met, exact=True,
        ),
        meters={
            entry.stage: Meter(
                typical_db=entry.reduction_db.typical,
                most_db=entry.reduction_db.max,
                most_at_s=entry.reduction_db.max_at_s,
                trim_db=entry.trim_db,
            )
            for entry in sheet.stages
            if entry.reduction_db is not None
        },
        sheet=sheet,
        curve=CurveFacts(
            points=tuple(
                CurvePoint(lufs=-13.0 + k, score=score, met=True, limiter_score=1.4 * score, trade_score=1.2 * score)
                for k, score in enumerate(scores)
            ),
            complete=True,
            ceiling_dbtp=sheet.target.ceiling_dbtp,
            knee_lufs=-9.5,
            statement=("The score rises faster from -9.5 LUFS on.",),
        ),
        course=SongCurves(
            duration_s=seconds,
            highest=wave.tolist(),
            lowest=(-wave).tolist(),
            further=0,
            at_s=[1.5, seconds / 2.0, seconds - 1.5],
            mix_lufs=[-20.0, -18.0, -21.0],
            master_lufs=[-10.0, -9.0, -11.0],
            target_lufs=-9.0,
            reductions_db={"limiter": (3.0 * wave).tolist()},
            cues_s=[3.0],
        ),
        takes={"search": 90.0, "around": 40.0, "curve": 200.0, "deliver": 10.0},
    )  # fmt: skip


def _weights(sheet: Sheet) -> Any:
    from autochain.config import read_config

    return read_config().weights.model_copy(update=dict(sheet.weights))


class PageOfFacts:
    """Serves one song; `facts` may be replaced, `answer` says what an action gives."""

    def __init__(self, facts: SongFacts | None, html: Callable[[], str] | None = None) -> None:
        if facts is not None:
            self.facts = facts
        self._html = html or self._page
        self.asked: list[Answer] = []
        self.uploads: list[tuple[str, bytes]] = []
        self.answer: Callable[[Answer], Answer] = lambda asked: {"fragments": {}}
        self._readers: list[queue.Queue[str | None]] = []
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self._server.daemon_threads = True
        self.address = f"http://127.0.0.1:{self._server.server_port}/"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def tell(self, kind: str, **facts: Any) -> None:
        """Tell the page by an event."""
        for reader in list(self._readers):
            reader.put(json.dumps({"kind": kind, **facts}))

    def show(self, facts: SongFacts, parts: Sequence[str]) -> None:
        """Replace the facts, and send these parts."""
        self.facts = facts
        for part, html in fragments(parts, facts).items():
            self.tell("fragment", song=SONG, id=part, html=html)

    def turned(self, asked: Answer) -> Answer:
        """An answer as the desk gives it to a turn: the facts follow, and their parts are told."""
        settings = self.facts.settings.with_(asked["stage"], {asked["parameter"]: asked["value"]})
        revision = self.facts.revision + 1
        self.show(replace(self.facts, settings=settings, revision=revision), TOUCHED["turn"])
        return {"fragments": {}, "place": {"start_s": 0.0, "stop_s": 6.0, "revision": revision, "gain_db": -3.0}}

    def close(self) -> None:
        for reader in self._readers:
            reader.put(None)
        self._server.shutdown()
        self._server.server_close()

    def _page(self) -> str:
        heard = [SongVersion(key=key, name=key, revision=1, lufs=-9.0, gain_db=0.0, exact=True) for key in (MIX, HAND)]
        player = {"rate_hz": self.facts.rate_hz, "channels": 2, "versions": [one.plain() for one in heard]}
        frames = round(self.facts.rate_hz * self.facts.duration_s)
        return song_page(self.facts, {"song": SONG, "frames": frames, **player})

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        own = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                path = self.path.split("?")[0]
                if path == "/events":
                    self._events()
                    return
                found = static(path.rsplit("/", 1)[-1]) if path.startswith("/static/") else None
                body, kind = found or (own._html().encode(), "text/html; charset=utf-8")
                self._send(200, body, kind)

            def do_POST(self) -> None:
                asked = json.loads(self.rfile.read(int(self.headers["content-length"])))
                own.asked.append(asked)
                given = own.answer(asked)
                self._send(400 if "error" in given else 200, json.dumps(given).encode(), "application/json")

            def do_PUT(self) -> None:
                own.uploads.append((self.path, self.rfile.read(int(self.headers["content-length"]))))
                self._send(200, b'{"name": "x", "song": null}', "application/json")

            def _send(self, code: int, body: bytes, kind: str) -> None:
                self.send_response(code)
                self.send_header("content-type", kind)
                self.send_header("content-length", str(len(body)))
                self.send_header("content-security-policy", POLICY)
                self.end_headers()
                self.wfile.write(body)

            def _events(self) -> None:
                reader: queue.Queue[str | None] = queue.Queue()
                self.send_response(200)
                self.send_header("content-type", "text/event-stream")
                self.end_headers()
                self.wfile.write(b": here\n\n")
                own._readers.append(reader)
                while (told := reader.get()) is not None:
                    try:
                        self.wfile.write(f"data: {told}\n\n".encode())
                        self.wfile.flush()
                    except OSError:
                        return

            def log_message(self, format: str, *args: Any) -> None:
                pass

        return Handler


class Seen:
    """The page in Chromium, what it complained of and asked for."""

    def __init__(
        self, browser: Browser, page: PageOfFacts, width: int = 1400, scheme: Literal["light", "dark"] = "light"
    ) -> None:
        self.of = page
        self.page: Page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(page.address)
        self.until(lambda: bool(page._readers))

    def until(self, holds: Callable[[], bool]) -> None:
        """Wait for something to hold; AssertionError where it does not in 10 s."""
        for _ in range(400):
            if holds():
                return
            self.page.wait_for_timeout(25)
        raise AssertionError("it did not come about")

    def value(self, field: str) -> str:
        return self.page.input_value(f"#{field}")


@contextmanager
def seen(
    browser: Browser,
    facts: SongFacts | None,
    width: int = 1400,
    scheme: Literal["light", "dark"] = "light",
    html: Callable[[], str] | None = None,
) -> Iterator[Seen]:
    """The page of these facts, open; or another one of the desk's, as `html` gives it."""
    page = PageOfFacts(facts, html)
    try:
        found = Seen(browser, page, width, scheme)
        yield found
        found.page.close()
    finally:
        page.close()
