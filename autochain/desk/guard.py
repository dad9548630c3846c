"""Who may speak to the desk: its own page on this computer, and nobody else."""

import hmac
from http.cookies import SimpleCookie

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "autochain_desk"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


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
    """

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self._app, self._token = app, token
        self._hosts = {f"127.0.0.1:{port}"}
        self._origins = {f"http://{host}" for host in self._hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or let pass."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if headers.get("host") not in self._hosts:
            await PlainTextResponse("not this desk", 421)(scope, receive, send)
            return
        origin = headers.get("origin")
        changes = scope["method"] not in ("GET", "HEAD")
        if (origin is None and changes) or (origin is not None and origin not in self._origins):
            await PlainTextResponse("from another page", 403)(scope, receive, send)
            return
        given = dict(part.split("=", 1) for part in scope["query_string"].decode("latin-1").split("&") if "=" in part)
        if scope["path"] == "/" and "token" in given and self._is_token(given["token"]):
            answer = RedirectResponse("/", 303)
            answer.set_cookie(COOKIE, self._token, httponly=True, samesite="strict", path="/")
            await answer(scope, receive, send)
            return
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        if cookie is None or not self._is_token(cookie.value):
            told = PlainTextResponse("Open the address that the desk has printed, with its token.", 403)
            await told(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *message["headers"],
                    (b"content-security-policy", POLICY.encode()),
                    (b"x-content-type-options", b"nosniff"),
                    (b"referrer-policy", b"no-referrer"),
                    (b"cross-origin-resource-policy", b"same-origin"),
                    (b"cross-origin-opener-policy", b"same-origin"),
                    (b"cache-control", b"no-store"),
                ]
            await send(message)

        await self._app(scope, receive, with_headers)

    def _is_token(self, given: str) -> bool:
        return hmac.compare_digest(given.encode("latin-1", "replace"), self._token.encode())
