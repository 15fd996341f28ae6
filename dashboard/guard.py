"""Who gets in, and what a browser may fetch: in front of everything that the server answers.

A page may load nothing that does not come from this server. On loopback only requests that name
this machine are answered, so that no page elsewhere can reach the dashboard by a name of its own;
off loopback nothing is answered without the start-up token.
"""

from __future__ import annotations

import hmac
import os
import secrets
import sys
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipeline.serving import TOKEN_VARIABLE, cookie_name, is_loopback

POLICY = "; ".join(
    (
        "default-src 'none'",
        # the screens' own code comes in a blob; no text is ever evaluated
        "script-src 'self' blob: 'wasm-unsafe-eval'",
        "worker-src 'self' blob:",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "connect-src 'self'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "content-security-policy": POLICY,
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}
LOST = "This dashboard opens with its start-up token: use the whole address that was printed."
"""Said to whoever has no token."""


def token_of(address: str | None) -> str | None:
    """The token to ask for when listening on an address; None on loopback.

    It is the one that the command that started this handed over; else a new one, printed.
    """
    if is_loopback(address or ""):
        return None
    given = os.environ.pop(TOKEN_VARIABLE, "")
    if given:
        return given
    made = secrets.token_urlsafe(32)
    sys.stderr.write(f"Open the dashboard's address with ?token={made} behind it.\n")
    return made


class Guard:
    """ASGI middleware.

    Args:
        app: what stands behind it.
        token: that must be known; None where the server listens on loopback.
    """

    def __init__(self, app: ASGIApp, token: str | None) -> None:
        self.app = app
        self.token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, pass it on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if not self._by_own_name(headers):
            await _refuse(scope, receive, send, "This address is not that of this dashboard.")
        elif self.token is None or _same(self._kept(scope, headers), self.token):
            await self.app(scope, receive, _with_headers(send))
        elif scope["type"] == "http" and (way := self._let_in(scope)) is not None:
            await way(scope, receive, _with_headers(send))
        else:
            await _refuse(scope, receive, send, LOST)

    def _by_own_name(self, headers: Headers) -> bool:
        """Whether the request names this machine and comes from no page of another server.

        The latter is asked here, because Streamlit would ask a server on the internet for this
        machine's address to find out.
        """
        host = headers.get("host", "")
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != host:
            return False
        return self.token is not None or is_loopback(urlsplit(f"//{host}").hostname or "")

    def _kept(self, scope: Scope, headers: Headers) -> str:
        """The token in the browser's cookie, or ""."""
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return ""
        found = cookies.get(cookie_name(_port(scope)))
        return found.value if found else ""

    def _let_in(self, scope: Scope) -> ASGIApp | None:
        """The way in for an address with the right token; the token leaves the address at once."""
        query = parse_qsl(scope.get("query_string", b"").decode("latin-1"), keep_blank_values=True)
        given = next((value for name, value in query if name == "token"), "")
        if self.token is None or not _same(given, self.token):
            return None
        rest = urlencode([pair for pair in query if pair[0] != "token"])
        # one slash only: two would name another server
        path = "/" + scope["path"].lstrip("/\\")
        answer = RedirectResponse(path + ("?" + rest if rest else ""), 303)
        answer.set_cookie(
            cookie_name(_port(scope)), self.token, httponly=True, samesite="lax", path="/"
        )
        return answer


def _same(given: str, token: str) -> bool:
    return hmac.compare_digest(given.encode(), token.encode())


def _port(scope: Scope) -> int:
    server = scope.get("server") or ("", 0)
    return int(server[1] or 0)


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
        await send(message)

    return sent


async def _refuse(scope: Scope, receive: Receive, send: Send, why: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": why})
        return
    await PlainTextResponse(why + "\n", 403)(scope, receive, _with_headers(send))
