"""Who may ask the page anything: only the browser that was given its token, from this machine.

The server listens on the loopback address alone. That is not enough: any web page that the user has
open can send requests to it, and a name of the web can be made to point at this machine. So

- the first address carries a random token; it is exchanged for a cookie that scripts cannot read
  and that no other site's request carries (``HttpOnly``, ``SameSite=Strict``);
- the ``Host`` must be this machine's own, with the port: a name that was made to point here has
  another (DNS rebinding);
- an ``Origin``, and ``Sec-Fetch-Site`` where a browser tells it, must be the page's own; whatever
  changes something must have one;
- what comes in is bounded in bytes before it is read;
- what goes out tells the browser to run no script but the page's files, to load nothing from
  elsewhere and to show the page in no frame (Content Security Policy Level 3, W3C).
"""

from __future__ import annotations

import hmac
from collections.abc import Iterable
from urllib.parse import parse_qs

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from athwart.input_limits import LIMITS, most

__all__ = ["COOKIE", "Guard"]

COOKIE = "athwart_desk"

_SAFE = {"GET", "HEAD", "OPTIONS"}
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
}


class _TooMuchError(Exception):
    """A body over the limit."""


class Guard:
    """ASGI middleware that lets only the page's own requests through.

    Parameters
    ----------
    app : ASGI application
        What it guards.
    token : str
        Secret of this run.
    port : int
        Port that the server listens on.
    most_bytes : int, optional
        Limit of a body; `athwart.input_limits` if not given.
    """

    def __init__(self, app: ASGIApp, token: str, port: int, most_bytes: int | None = None) -> None:
        self.app = app
        self.token = token
        self.hosts = {f"{h}:{port}" for h in ("127.0.0.1", "localhost", "[::1]")}
        self.most_bytes = most("UPLOAD_MB") if most_bytes is None else most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or pass it on."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no web sockets
        headers = _headers(scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        if not self._known(headers):
            await self._exchange(scope, send)
            return
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > self.most_bytes:
            await _answer(send, 413, self._too_much())
            return
        await self._pass(scope, receive, send)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        """Return why a request is none of the page's own, or None."""
        if headers.get("host", "").lower() not in self.hosts:
            return 421, "this page answers only under its own address on this machine"
        origins = {f"http://{host}" for host in self.hosts}
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in origins:
            return 403, "another site may not ask this page"
        site = headers.get("sec-fetch-site")
        changes = scope["method"] not in _SAFE
        if site not in (None, "same-origin", "none") and not (
            site in ("same-site", "cross-site") and self._first_visit(scope)
        ):
            return 403, "another site may not ask this page"
        if changes and origin is None:
            return 403, "a request that changes something must come from the page itself"
        return None

    def _first_visit(self, scope: Scope) -> bool:
        return scope["method"] == "GET" and scope["path"] == "/" and bool(scope["query_string"])

    def _known(self, headers: dict[str, str]) -> bool:
        for part in headers.get("cookie", "").split(";"):
            name, _, value = part.strip().partition("=")
            if name == COOKIE and hmac.compare_digest(value.encode(), self.token.encode()):
                return True
        return False

    async def _exchange(self, scope: Scope, send: Send) -> None:
        """Exchange the token in the first address for the cookie."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if scope["method"] == "GET" and hmac.compare_digest(given.encode(), self.token.encode()):
            cookie = f"{COOKIE}={self.token}; HttpOnly; SameSite=Strict; Path=/"
            await _answer(send, 303, "", [("location", "/"), ("set-cookie", cookie)])
            return
        await _answer(
            send,
            401,
            "open the page with the whole address that athwart desk printed; it changes each time",
        )

    def _too_much(self) -> str:
        return (
            f"that is more than {self.most_bytes // 1_000_000} MB; give a smaller file (the variable "
            f"{LIMITS['UPLOAD_MB'].variable} raises that)"
        )

    async def _pass(self, scope: Scope, receive: Receive, send: Send) -> None:
        seen = 0
        over = False

        async def bounded() -> Message:
            nonlocal seen, over
            message = await receive()
            if message["type"] == "http.request":
                seen += len(message.get("body", b""))
                if seen > self.most_bytes:
                    over = True
                    raise _TooMuchError
            return message

        async def headed(message: Message) -> None:
            if over:
                return  # whatever the application makes of it: the answer is below
            if message["type"] == "http.response.start":
                given = {k.lower() for k, _ in message.get("headers", [])}
                message["headers"] = [
                    *message.get("headers", []),
                    *(
                        (k.encode(), v.encode())
                        for k, v in _HEADERS.items()
                        if k.encode() not in given
                    ),
                ]
            await send(message)

        try:
            await self.app(scope, bounded, headed)
        except _TooMuchError:
            await _answer(send, 413, self._too_much())


def _headers(scope: Scope) -> dict[str, str]:
    return {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}


async def _answer(send: Send, status: int, text: str, more: Iterable[tuple[str, str]] = ()) -> None:
    body = text.encode()
    headers = [
        ("content-type", "text/plain; charset=utf-8"),
        ("content-length", str(len(body))),
        *_HEADERS.items(),
        *more,
    ]
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(k.encode(), v.encode()) for k, v in headers],
        }
    )
    await send({"type": "http.response.body", "body": body})
