"""A page of somebody else's, in the browser that has the desk open, gets nothing and changes nothing.

What browsers do is the Fetch standard's (CORS, Cross-Origin-Resource-Policy, request Origin header), RFC 6265bis'
(SameSite), CSP3's (frame-ancestors) and Fetch Metadata's; tried is what they leave open: a page on another port of this
computer is of the same *site*, so it is sent along the cookie that keeps other sites out, and a name that its owner
points to 127.0.0.1 is of the desk's own address and of another host.
"""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from starlette.types import ASGIApp, Receive, Scope, Send

from autochain.desk import server
from tests.browsing import REBOUND
from tests.desk.asking import desk_of
from tests.desk.serving import served

# Each gives in words what it came to. `desk` is the desk's origin, `song` a song that is open there.
ATTACK = """
async ({desk, song}) => {
  const late = (promise) => Promise.race([promise, new Promise((then) => setTimeout(() => then("nothing"), 4000))]);
  const asked = (path, more) => fetch(desk + path, {credentials: "include", ...more}).then(
    async (answer) => answer.type === "opaque" ? "opaque" : `read ${answer.status} ${await answer.text()}`,
    () => "refused");
  const loaded = (tag, more) => late(new Promise((then) => {
    const made = Object.assign(document.createElement(tag), more);
    made.onload = made.onloadedmetadata = () => then("loaded");
    made.onerror = () => then("refused");
    document.body.append(made);
  }));
  const order = JSON.stringify({action: "stop"});
  const sound = `/song/${song}/sound/mix?revision=1&first=0&frames=1000`;
  const told = {
    get: await asked("/"),
    get_opaque: await asked("/", {mode: "no-cors"}),
    song_opaque: await asked(`/song/${song}`, {mode: "no-cors"}),
    sound: await asked(sound),
    post: await asked("/do", {method: "POST", body: order}),
    post_opaque: await asked("/do", {method: "POST", body: order, mode: "no-cors"}),
    post_json: await asked("/do", {method: "POST", body: order, headers: {"content-type": "application/json"}}),
    put: await asked("/files/evil.wav?as=mix", {method: "PUT", body: "RIFF"}),
    put_as_post: await asked("/files/evil.wav?as=mix", {method: "POST", body: "RIFF", mode: "no-cors"}),
    beacon: String(navigator.sendBeacon(desk + "/do", order)),
    image: await loaded("img", {src: desk + sound}),
    script: await loaded("script", {src: desk + "/static/desk.js"}),
    style: await loaded("link", {rel: "stylesheet", href: desk + "/static/desk.css"}),
    audio: await loaded("audio", {src: desk + sound}),
  };
  told.events = await late(new Promise((then) => {
    const events = new EventSource(desk + "/events", {withCredentials: true});
    events.onmessage = () => then("heard");
    events.onerror = () => { events.close(); then("refused"); };
  }));
  told.socket = await late(new Promise((then) => {
    const socket = new WebSocket(desk.replace("http", "ws") + "/events");
    socket.onopen = () => then("open");
    socket.onerror = () => then("refused");
  }));
  told.frame = await late(new Promise((then) => {
    const frame = Object.assign(document.createElement("iframe"), {src: desk + "/"});
    frame.onload = () => {
      try { then(`read ${frame.contentDocument.body.innerText}`); } catch { then("closed"); }
    };
    document.body.append(frame);
  }));
  for (const enctype of ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data"]) {
    const target = `into-${enctype.length}`;
    const frame = Object.assign(document.createElement("iframe"), {name: target});
    const form = Object.assign(document.createElement("form"), {action: desk + "/do", method: "POST", enctype, target});
    form.append(Object.assign(document.createElement("input"), {name: '{"action": "stop", "x": "', value: '"}'}));
    document.body.append(frame, form);
    await late(new Promise((then) => { frame.onload = then; form.submit(); }));
  }
  const opened = window.open(desk + "/");
  await new Promise((then) => setTimeout(then, 1000));
  try { told.window = `read ${opened.document.body.innerText}`; } catch { told.window = "closed"; }
  return told;
}
"""


class Passed:
    """What came through the guard, with the site that it came from."""

    def __init__(self, inside: ASGIApp) -> None:
        self._inside, self.seen = inside, list[tuple[str, str]]()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.seen.append((scope["method"], scope["path"]))
        await self._inside(scope, receive, send)


@contextmanager
def hostile_server() -> Iterator[int]:
    class Page(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            with suppress(BrokenPipeError):
                self.wfile.write(b"<!doctype html><title>hostile</title><body>hostile")

        def log_message(self, *given: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Page) as made:
        thread = threading.Thread(target=made.serve_forever)
        thread.start()
        yield made.server_address[1]
        made.shutdown()
        thread.join()


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", REBOUND])
def test_a_hostile_page_gets_nothing_and_changes_nothing(
    host: str, browser: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    passed: list[Passed] = []
    made = server.app

    def noted(desk: Any) -> Passed:
        passed.append(Passed(made(desk)))
        return passed[-1]

    monkeypatch.setattr(server, "app", noted)
    context = browser.new_context()
    with desk_of(tmp_path, "one.wav") as desk, served(desk) as address, hostile_server() as port:
        own = context.new_page()
        own.goto(address)
        own.wait_for_selector("text=one.wav")
        desk.opened(desk.songs[0].id)
        origin = address.split("/?")[0]
        # It is heard by its own page, so what is refused is refused for where it comes from.
        order = "fetch('/do', {method: 'POST', body: JSON.stringify({action: 'stop'})}).then((answer) => answer.status)"
        assert own.evaluate(order) == 200
        own.close()
        before = len(passed[0].seen)
        page = context.new_page()
        page.goto(f"http://{host}:{port}/")
        told = page.evaluate(ATTACK, {"desk": origin, "song": desk.songs[0].id})
        # The refusal that a window of its own shows is the desk's own page, and asks for its picture.
        assert [one for one in passed[0].seen[before:] if one != ("GET", "/favicon.ico")] == []
        assert told.pop("beacon") == "true"  # it is sent, and refused
        opaque = {name: told.pop(name) for name in ("get_opaque", "song_opaque", "post_opaque", "put_as_post")}
        assert set(opaque.values()) <= {"opaque", "refused"}
        assert told.pop("frame") in ("closed", "nothing")
        assert told.pop("window") == "closed"
        assert set(told.values()) <= {"refused", "nothing"}, told
        assert page.evaluate("typeof soundOf") == "undefined"
    context.close()
    assert [path.name for path in (tmp_path / "mixes").iterdir()] == ["one.wav"]


def test_a_name_that_points_here_is_told_nothing(browser: Any, tmp_path: Path) -> None:
    """DNS rebinding: the hostile page is of the desk's own address and port, only its name is another."""
    context = browser.new_context()
    with desk_of(tmp_path, "one.wav") as desk, served(desk) as address:
        own = context.new_page()
        own.goto(address)
        own.wait_for_selector("text=one.wav")
        port = urlsplit(address).port
        page = context.new_page()
        answer = page.goto(f"http://{REBOUND}:{port}/")
        assert answer.status == 421
        assert "one.wav" not in page.content()
        # Even with the token, which it cannot know.
        answer = page.goto(address.replace("127.0.0.1", REBOUND))
        assert answer.status == 421
        assert not [one for one in context.cookies() if one["domain"] == REBOUND]
    context.close()


def test_a_link_on_another_page_leads_to_the_desk_only_with_the_token(browser: Any, tmp_path: Path) -> None:
    context = browser.new_context()
    with desk_of(tmp_path, "one.wav") as desk, served(desk) as address, hostile_server() as port:
        page = context.new_page()
        page.goto(f"http://localhost:{port}/")
        page.evaluate("(to) => { location.href = to; }", address)
        page.wait_for_selector("text=one.wav")  # the cookie is there, and sent, though another page has led here
        assert "token" not in page.url
        page.goto(f"http://localhost:{port}/")
        page.evaluate("(to) => { location.href = to; }", address.split("?")[0])
        page.wait_for_selector("text=another page")
        assert "one.wav" not in page.content()
        page.click("text=on to the desk")  # which the refusal leads to, as a page of the desk's own
        page.wait_for_selector("text=one.wav")
        # Typed by the user, it is there.
        page.goto(address.split("?")[0])
        page.wait_for_selector("text=one.wav")
        (cookie,) = context.cookies()
        assert (cookie["sameSite"], cookie["httpOnly"]) == ("Strict", True)
        assert page.evaluate("document.cookie") == ""
    context.close()


def test_two_desks_in_one_browser_do_not_disturb_each_other(browser: Any, tmp_path: Path) -> None:
    context = browser.new_context()
    with (
        desk_of(tmp_path / "1", "one.wav") as first,
        desk_of(tmp_path / "2", "two.wav") as second,
        served(first) as here,
        served(second) as there,
    ):
        page = context.new_page()
        for address in (here, there):
            page.goto(address)
            page.wait_for_selector(".songs")
        page.goto(here.split("?")[0])
        page.wait_for_selector("text=one.wav")
        origin = there.split("/?")[0]
        told = page.evaluate("(to) => fetch(to, {credentials: 'include'}).then(() => 'read', () => 'refused')", origin)
        assert told == "refused"
    context.close()


def test_a_script_that_got_into_the_page_would_not_run(browser: Any, tmp_path: Path) -> None:
    """The content policy of the answers, in a browser: what is written into the page is no script of ours."""
    context = browser.new_context()
    with desk_of(tmp_path, "one.wav") as desk, served(desk) as address:
        page = context.new_page()
        page.goto(address)
        page.wait_for_selector("text=one.wav")
        told = page.evaluate(
            """async () => {
              const broken = [];
              document.addEventListener("securitypolicyviolation", (event) => broken.push(event.effectiveDirective));
              document.body.insertAdjacentHTML("beforeend", `<img src="data:," onerror="window.ran = 1">
                <base href="http://hostile.example/"><form action="http://hostile.example/" id="out"><button></form>
                <iframe src="data:text/html,x"></iframe><object data="data:text/html,x"></object>`);
              const script = document.createElement("script");
              script.textContent = "window.ran = 1";
              document.body.append(script);
              document.getElementById("out").submit();
              await fetch("http://hostile.example/").catch(() => 0);
              await new Promise((then) => setTimeout(then, 500));
              return {ran: typeof window.ran, base: document.baseURI, broken: [...new Set(broken)].sort()};
            }"""
        )
        assert told["ran"] == "undefined"
        assert told["base"].startswith("http://127.0.0.1")
        wanted = {"base-uri", "form-action", "frame-src", "connect-src", "object-src", "script-src-elem"}
        assert wanted <= set(told["broken"]), json.dumps(told)
    context.close()
