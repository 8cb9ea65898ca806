"""What keeps other pages, programs and persons out of a server that only one may use.

The server listens on the loopback address, where every program of the machine and every page
in the browser can reach it. So a request must name this host (a foreign name would mean DNS
rebinding), bring the cookie that the address printed in the terminal is exchanged for, and, to
change anything, come from a page of this server and bring a second token that stands in it.
Measures as OWASP's cheat sheet on cross-site request forgery has them (from memory).
"""

from __future__ import annotations

import asyncio
import html
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

BODY_LIMIT = 64 * 1024
"""Bytes of a request's body (project convention)."""
DEADLINE = 10.0
"""Seconds that a head may take to come in, and a body (project convention)."""
TOKEN_BYTES = 32
"""Random bytes of a token: 256 bits, twice what is called for (project convention)."""
TOKEN_HEADER = "X-Review-Token"  # noqa: S105 -- the name of a header
ENTRY = "/enter"
OPEN = frozenset({"/style.css", "/review.css", "/review.js", "/favicon.ico"})
"""What anybody at the port may read: files of the program, which tell nothing."""

HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": (
        "default-src 'none'; img-src 'self'; script-src 'self'; style-src 'self'; "
        "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
"""What every answer carries."""

ANEW = "Start the review again with autocast review, and open the address that it prints."


@dataclass(slots=True)
class Keys:
    """The secrets of one run; ``entry`` is None once it was used."""

    port: int
    entry: str | None = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES))
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES))
    token: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES))

    @property
    def cookie_name(self) -> str:
        """Cookies know no ports, and two reviews may run at once."""
        return f"autocast-review-{self.port}"

    @property
    def address(self) -> str:
        """Where to begin, the entry token included."""
        return f"http://127.0.0.1:{self.port}{ENTRY}?token={self.entry}"


class Guard:
    """Lets through what may be answered, its body read in full; refuses all else."""

    def __init__(self, app: ASGIApp, keys: Keys) -> None:
        self.app = app
        self.keys = keys
        self.hosts = {f"127.0.0.1:{keys.port}", f"localhost:{keys.port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        send = _with_headers(send)
        try:
            early = self._checked(scope)
            if early is None and scope["method"] == "POST":
                receive = _replayed(await _body(scope, receive), receive)
        except HTTPException as error:
            early = refusal(scope, error.status_code, error.detail)
        await (early or self.app)(scope, receive, send)

    def _checked(self, scope: Scope) -> Response | None:
        """The answer, where the application is not asked; raises HTTPException to refuse."""
        request = Request(scope)
        headers = request.headers
        if len(headers.getlist("host")) != 1 or headers["host"] not in self.hosts:
            raise HTTPException(421, "This server does not answer to that name.")
        known = _same(request.cookies.get(self.keys.cookie_name), self.keys.cookie)
        if scope["path"] == ENTRY:
            return self._entered(request, known=known)
        if scope["path"] in OPEN:
            return None
        if not known:
            raise HTTPException(403, f"This browser was not let in. {ANEW}")
        if scope["method"] == "POST":
            self._check_change(headers)
        return None

    def _entered(self, request: Request, *, known: bool) -> Response:
        response = RedirectResponse("/", 303)
        if known:
            return response
        if not _same(request.query_params.get("token"), self.keys.entry):
            raise HTTPException(403, f"This address was used before, or is incomplete. {ANEW}")
        self.keys.entry = None
        response.set_cookie(
            self.keys.cookie_name, self.keys.cookie, httponly=True, samesite="strict", path="/"
        )
        return response

    def _check_change(self, headers: Headers) -> None:
        if headers.get("origin") not in {f"http://{host}" for host in self.hosts}:
            raise HTTPException(403, "Changes are taken only from the pages of this review.")
        if not _same(headers.get(TOKEN_HEADER), self.keys.token):
            raise HTTPException(403, "This page belongs to an earlier review; load it again.")
        if headers.get("content-type", "").partition(";")[0].strip() != "application/json":
            raise HTTPException(415, "Changes must be sent as JSON.")


def refusal(scope: Scope, status: int, sentence: str) -> Response:
    """One sentence: a page for who goes to an address, plain text for a script."""
    headers = {"Connection": "close"}
    if scope["method"] == "POST":
        return PlainTextResponse(sentence, status, headers)
    page = (
        '<!doctype html><html lang="en-GB"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<title>autocast review</title><link rel="stylesheet" href="/style.css">'
        f"</head><body><main><h1>autocast review</h1><p>{html.escape(sentence)}</p></main>"
        "</body></html>"
    )
    return HTMLResponse(page, status, headers)


def _same(given: str | None, wanted: str | None) -> bool:
    """Compared in a time that tells nothing of how much is right."""
    if given is None or wanted is None:
        return False
    return secrets.compare_digest(given.encode(), wanted.encode())


async def _body(scope: Scope, receive: Receive) -> bytes:
    """The whole body, as long as it is small and comes in time."""
    declared = Headers(scope=scope).get("content-length", "0")
    if not declared.isdecimal() or len(declared) > 9 or int(declared) > BODY_LIMIT:
        raise HTTPException(413, "That is too long for a decision.")
    parts: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(DEADLINE):
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    raise HTTPException(400, "The request broke off.")
                parts.append(message.get("body", b""))
                size += len(parts[-1])
                if size > BODY_LIMIT:
                    raise HTTPException(413, "That is too long for a decision.")
                if not message.get("more_body", False):
                    return b"".join(parts)
    except TimeoutError:
        raise HTTPException(408, "The request took too long to come in.") from None


def _replayed(body: bytes, after: Receive) -> Receive:
    """A body that was read, for the application to read; then what comes after it."""
    messages: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Message:
        return messages.pop() if messages else await after()

    return receive


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            MutableHeaders(scope=message).update(HEADERS)
        await send(message)

    return sent
