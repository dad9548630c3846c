"""Who may speak to the desk: its own page on this computer, and nobody else.

Every request has to name this very address as its host (so a name of somebody else's that is made to point here gets
nothing), to come from the desk's own page where the browser says from where it comes, and to bring the secret of this
run in a cookie that no other site's page can send along. Where the browser says nothing about it, the cookie decides.

What that does not keep out: another program of the same user, which can read what the browser holds; and a server on
another port of this computer that the user's browser visits is sent the cookie, as cookies know no ports.
"""

import hmac
from collections.abc import Iterator
from contextlib import contextmanager
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "media-src 'self' blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
    (b"cache-control", b"no-store"),
)
METHODS = ("GET", "HEAD", "POST", "PUT")
LONGEST_BODY = 65_536  # of a body that is no file
_MOST_AT_ONCE = 24  # requests that are being answered, events aside
# The page that takes the secret goes on by itself. A redirect would belong to the page that led here, and cookies of
# this kind are not sent along with that.
_ON = '<!doctype html><title>autochain</title><meta http-equiv="refresh" content="0; url=/"><a href="/">on</a>'
_NO = '<!doctype html><title>autochain</title><p>{}</p><p><a href="/">on to the desk</a></p>'


def cookie_name(port: int) -> str:
    """What the cookie is called: cookies know no ports, and two desks have two."""
    return f"autochain_desk_{port}"


class Guard:
    """Refuses what does not come from the desk's own page.

    Parameters
    ----------
    app
        What is guarded.
    token
        Secret of this run; whoever brings it once gets a cookie.
    port
        Where the desk listens.
    once
        Another secret, which is taken in an address once; None for none.
    """

    def __init__(self, app: ASGIApp, token: str, port: int, once: str | None = None) -> None:
        self._app, self._token, self._once = app, token, once
        self._host, self._cookie = f"127.0.0.1:{port}", cookie_name(port)
        self._at_once = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or let pass."""
        if scope["type"] != "http":  # nothing else is spoken here; a socket is refused before it is one
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = {name for name, _ in HEADERS}
                kept = [(name, value) for name, value in message["headers"] if name.lower() not in own]
                message["headers"] = [*kept, *HEADERS]
            await send(message)

        answer = self._refusal(scope) or self._welcome(scope)
        if answer is not None:
            await answer(scope, receive, with_headers)
            return
        if scope["path"] == "/events":
            await self._app(scope, receive, with_headers)
            return
        if self._at_once >= _MOST_AT_ONCE:
            refused = _refused(Headers(scope=scope), 503, "too much is asked for at once. Wait a moment.")
            await refused(scope, receive, with_headers)
            return
        with self._counted():
            await self._app(scope, receive if scope["method"] == "PUT" else _bounded(receive), with_headers)

    @contextmanager
    def _counted(self) -> Iterator[None]:
        self._at_once += 1
        try:
            yield
        finally:
            self._at_once -= 1

    def _refusal(self, scope: Scope) -> Response | None:
        """The answer to what must not pass; None where it may."""
        headers = Headers(scope=scope)
        if headers.getlist("host") != [self._host]:
            return _refused(headers, 421, "this is not the desk's address.")
        if scope["method"] not in METHODS:
            return _refused(headers, 405, "the desk knows no such method.")
        changes = scope["method"] not in ("GET", "HEAD")
        origins, sites = headers.getlist("origin"), headers.getlist("sec-fetch-site")
        if origins not in ([], [f"http://{self._host}"]) or (changes and not origins):
            return _refused(headers, 403, "that comes from another page.")
        # A user who types the address comes from none; from elsewhere one may only arrive, and with the secret.
        if not set(sites) <= {"same-origin", "none"} and not (self._brings_token(scope) and not changes):
            return _refused(headers, 403, "that comes from another page.")
        if changes and scope["method"] != "PUT" and _length(headers) > LONGEST_BODY:
            return _refused(headers, 413, "that is too long.")
        if self._brings_token(scope) or self._has_cookie(headers):
            return None
        return _refused(headers, 403, "open the address that the desk has printed, with its token.")

    def _welcome(self, scope: Scope) -> Response | None:
        """The answer to whoever brings the secret in the address."""
        if not self._brings_token(scope):
            return None
        if self._once is not None and self._once in scope["query_string"].decode("latin-1"):
            self._once = None
        answer = HTMLResponse(_ON)
        answer.set_cookie(self._cookie, self._token, httponly=True, samesite="strict", path="/")
        return answer

    def _brings_token(self, scope: Scope) -> bool:
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [])
        return scope["path"] == "/" and scope["method"] == "GET" and len(given) == 1 and self._opens(given[0])

    def _opens(self, given: str) -> bool:
        return self._is_token(given) or (self._once is not None and _same(given, self._once))

    def _has_cookie(self, headers: Headers) -> bool:
        try:
            brought = SimpleCookie("; ".join(headers.getlist("cookie"))).get(self._cookie)
        except CookieError:
            return False
        return brought is not None and self._is_token(brought.value)

    def _is_token(self, given: str) -> bool:
        return _same(given, self._token)


def _same(given: str, wanted: str) -> bool:
    """Compare in a time that tells nothing."""
    return hmac.compare_digest(given.encode("utf-8", "replace"), wanted.encode())


def _refused(headers: Headers, status: int, words: str) -> Response:
    """One line, as a page for whoever came to see one: a link on it is the desk's own."""
    if "text/html" in headers.get("accept", ""):
        return HTMLResponse(_NO.format(words), status)
    return JSONResponse({"error": words}, status)


def _length(headers: Headers) -> int:
    given = headers.get("content-length", "0")
    return int(given) if given.isdecimal() and len(given) < 20 else 0


def _bounded(receive: Receive) -> Receive:
    """A body that ends, for whoever reads it, where it is too long; the length that was promised need not be true."""
    taken = 0

    async def limited() -> Message:
        nonlocal taken
        message = await receive()
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > LONGEST_BODY:
                return {"type": "http.disconnect"}
        return message

    return limited
