"""Who is let through to the desk, and who is not.

Sources: RFC 9110 sections 7.2 and 15.5.20 (Host, 421); RFC 6454 section 7 (Origin); RFC 6265bis section 5.5 (SameSite)
and RFC 6265 section 8.5 (cookies know no ports); W3C Fetch Metadata Request Headers, section 2.3 (Sec-Fetch-Site); W3C
Content Security Policy Level 3, sections 6.1, 6.3 and 6.4; Fetch standard, 3.7 (Cross-Origin-Resource-Policy) and 3.6
(nosniff); HTML standard, 7.1.3 (Cross-Origin-Opener-Policy); RFC 9111 section 5.2.2.5 (no-store).
"""

from collections.abc import Callable

import pytest
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send

from autochain.desk.guard import LONGEST_BODY, Guard, cookie_name
from tests.desk.asking import HOST, PORT, TOKEN, Header, ask, in_a_loop, own

Change = Callable[[list[Header]], list[Header]]


async def echo(scope: Scope, receive: Receive, send: Send) -> None:
    body = await Request(scope, receive).body() if scope["method"] in ("POST", "PUT") else b""
    await PlainTextResponse(f"inside {len(body)}")(scope, receive, send)


GUARD = Guard(echo, TOKEN, PORT)


def replaced(name: str, *values: str) -> Change:
    return lambda headers: [one for one in headers if one[0] != name] + [(name, value) for value in values]


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "HEAD"])
def test_the_desks_own_page_is_let_through(method: str) -> None:
    answer = ask(GUARD, method, "/song/x", own(method))
    assert (answer.status, answer.body[:6]) == (200, b"inside")


def test_a_browser_that_sends_no_fetch_metadata_is_let_through_by_its_cookie() -> None:
    assert ask(GUARD, "GET", "/", [one for one in own() if one[0] != "sec-fetch-site"]).status == 200


@pytest.mark.parametrize("method", ["GET", "POST", "PUT"])
@pytest.mark.parametrize(
    ("change", "status"),
    [
        # A name of somebody else's that is made to point to 127.0.0.1 ("DNS rebinding") stands in the Host header.
        (replaced("host", f"rebound.example:{PORT}"), 421),
        (replaced("host", f"localhost:{PORT}"), 421),
        (replaced("host", "127.0.0.1"), 421),
        (replaced("host", f"127.0.0.1:{PORT + 1}"), 421),
        (replaced("host", f"127.0.0.1.example:{PORT}"), 421),
        (replaced("host", f"user@127.0.0.1:{PORT}"), 421),
        (replaced("host"), 421),
        (replaced("host", HOST, "rebound.example"), 421),
        (replaced("origin", "http://hostile.example"), 403),
        (replaced("origin", "null"), 403),  # a sandboxed frame, a file
        (replaced("origin", f"https://{HOST}"), 403),
        (replaced("origin", f"http://127.0.0.1:{PORT + 1}"), 403),  # the same site for a cookie, another origin
        (replaced("origin", f"http://{HOST}", "http://hostile.example"), 403),
        (replaced("sec-fetch-site", "cross-site"), 403),
        (replaced("sec-fetch-site", "same-site"), 403),
        (replaced("sec-fetch-site", "something new"), 403),
        (replaced("cookie"), 403),
        (replaced("cookie", f"{cookie_name(PORT)}={TOKEN}x"), 403),
        (replaced("cookie", f"{cookie_name(PORT)}="), 403),
        (replaced("cookie", f"{cookie_name(PORT + 1)}={TOKEN}"), 403),
        (replaced("cookie", f'{cookie_name(PORT)}="{TOKEN}'), 403),
        (replaced("cookie", "\x00=;=;;==" * 100), 403),
        (replaced("cookie", f"{cookie_name(PORT)}=\xff\xfe"), 403),
    ],
)
def test_nobody_else_is(method: str, change: Change, status: int) -> None:
    answer = ask(GUARD, method, "/song/x", change(own(method)))
    assert answer.status == status
    assert b"inside" not in answer.body
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("method", ["POST", "PUT"])
def test_a_change_without_an_origin_is_refused(method: str) -> None:
    """Every browser of today sends one with these methods: Fetch standard, "append a request Origin header"."""
    assert ask(GUARD, method, "/", replaced("origin")(own(method))).status == 403


@pytest.mark.parametrize("method", ["DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "get", "PROPFIND"])
def test_other_methods_are_refused(method: str) -> None:
    answer = ask(GUARD, method, "/", own("POST"))
    assert answer.status == 405
    assert not [name for name in answer.headers if name.startswith("access-control-")]


def test_the_token_in_the_address_gives_a_cookie_that_no_other_site_can_send_and_no_script_read() -> None:
    answer = ask(GUARD, "GET", "/", [("host", HOST), ("sec-fetch-site", "cross-site")], query=f"token={TOKEN}")
    assert answer.status == 200
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"{cookie_name(PORT)}={TOKEN};")
    attributes = {part.strip().lower() for part in cookie.split(";")[1:]}
    assert {"httponly", "samesite=strict", "path=/"} <= attributes
    assert not [one for one in attributes if one.startswith("domain")]
    assert b'content="0; url=/"' in answer.body  # goes on by itself
    assert "location" not in answer.headers


@pytest.mark.parametrize(
    ("method", "path", "query"),
    [
        ("GET", "/", "token=wrong"),
        ("GET", "/", "token="),
        ("GET", "/", f"token={TOKEN}&token={TOKEN}"),
        ("GET", "/", f"Token={TOKEN}"),
        ("GET", "/", f"token={TOKEN}%00"),
        ("GET", "/song/x", f"token={TOKEN}"),  # the secret opens the door and nothing behind it
        ("GET", "/events", f"token={TOKEN}"),
        ("POST", "/", f"token={TOKEN}"),
        ("PUT", "/files/a.wav", f"token={TOKEN}"),
    ],
)
def test_the_token_is_taken_at_the_door_alone(method: str, path: str, query: str) -> None:
    answer = ask(GUARD, method, path, replaced("cookie")(own(method)), query=query)
    assert answer.status == 403
    assert "set-cookie" not in answer.headers


def test_the_address_that_a_browser_is_started_with_opens_once() -> None:
    guard = Guard(echo, TOKEN, PORT, "another-secret")
    first, second = (ask(guard, "GET", "/", [("host", HOST)], query="token=another-secret") for _ in range(2))
    assert (first.status, second.status) == (200, 403)
    assert TOKEN in first.headers["set-cookie"]
    assert ask(guard, "GET", "/", [("host", HOST)], query=f"token={TOKEN}").status == 200


@pytest.mark.parametrize("change", [replaced("cookie", "x=y"), replaced("host", "hostile.example"), lambda own: own])
def test_every_answer_carries_the_headers(change: Change) -> None:
    headers = ask(GUARD, "GET", "/", change(own())).headers
    policy = {part.split()[0]: part.split()[1:] for part in headers["content-security-policy"].split(";")}
    # What `default-src` does not stand in for: CSP3, sections 6.3.1 base-uri, 6.4.1 form-action, 6.4.2 frame-ancestors.
    for name in ("default-src", "base-uri", "form-action", "frame-ancestors"):
        assert policy[name] == ["'none'"]
    assert policy["script-src"] == policy["connect-src"] == policy["style-src"] == ["'self'"]
    allowed = {one for values in policy.values() for one in values}
    assert allowed == {"'none'", "'self'", "data:", "blob:"}
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "no-referrer"


def test_a_body_that_says_it_is_too_long_is_refused_unread() -> None:
    headers = [*own("POST"), ("content-length", str(LONGEST_BODY + 1))]
    answer = ask(GUARD, "POST", "/song/x/do", headers, [b"x"])
    assert answer.status == 413


def test_a_body_that_is_longer_than_it_says_is_not_read_to_its_end() -> None:
    with pytest.raises(ClientDisconnect):  # which the desk answers with 413, see test_server
        ask(GUARD, "POST", "/song/x/do", [*own("POST"), ("content-length", "10")], [b"x" * 1000] * 1000)


def test_nothing_but_http_is_spoken() -> None:
    told: list[object] = []

    async def send(message: object) -> None:
        told.append(message)

    in_a_loop(GUARD({"type": "websocket", "headers": [], "path": "/"}, None, send))  # type: ignore[arg-type]
    assert told == [{"type": "websocket.close", "code": 1008}]
