"""The application and its run: what is answered at which address, and how it begins and ends.

Each request opens the ledger for itself, in the thread that serves it, and holds no lock:
presort may run meanwhile, and another window decide.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import sqlite3
import threading
import webbrowser
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route
from uvicorn.protocols.http.h11_impl import H11Protocol

from autocast.archive.decisions import decide, undo
from autocast.archive.learnt import adopt, proposal, take_back
from autocast.archive.ledger import Ledger, judgement_of, now
from autocast.archive.queues import following, start_of_draw, tally
from autocast.errors import AutocastError, LedgerError, OutputError, UnreadablePicture
from autocast.judgement import DECISION_WORDS
from autocast.modelstore import Models, default_models
from autocast.report.pages.environment import REPORT, environment
from autocast.report.text import printable
from autocast.review import asked, security, tellings, views
from autocast.review.pictures import Pictures, hindrance
from autocast.review.security import Guard, Keys, refusal

if TYPE_CHECKING:
    from jinja2 import Environment
    from starlette.types import ASGIApp

    from autocast.archive.rows import Row

AT_ONCE = 256
"""Connections taken at once; more are turned away (project convention, as are the next three)."""
HEAD_LIMIT = 16 * 1024
"""Bytes of a request's head."""
GRACE = 5
"""Seconds that requests under way may take once the end is asked for."""
KEPT_FOR = "private, max-age=600"
"""How long a browser may keep a picture, whose address changes with the file."""

REVIEW = "autocast.review"
STATIC = {
    "/style.css": (REPORT, "style.css", "text/css"),
    "/review.css": (REVIEW, "review.css", "text/css"),
    "/review.js": (REVIEW, "review.js", "text/javascript"),
}
"""The only files that are served as they are: address, package, name, media type."""


@dataclass(frozen=True, slots=True)
class Review:
    """What one run answers with."""

    path: Path
    person: str
    keys: Keys
    pictures: Pictures
    pages: Environment

    # Pages

    def queues(self, request: Request) -> Response:
        """The first page: every queue, and what is left of it."""
        narrowed = asked.queue({"queue": "all", **request.query_params}, self.person)
        with Ledger.read(self.path) as ledger:
            return self._page(
                "queues.html",
                page="queues",
                lines=list(views.lines(ledger, narrowed)),
                choices=views.choices(ledger, narrowed),
                agreements=views.agreements(ledger),
            )

    def told(self, _: Request) -> Response:
        """What the decisions show."""
        with Ledger.read(self.path) as ledger:
            return self._page(
                "told.html",
                page="told",
                told=tellings.told(ledger, self.pictures.models),
                decision_words=list(DECISION_WORDS.values()),
            )

    def look(self, request: Request) -> Response:
        """One picture; without a number the next that is not decided, or the end."""
        queue = asked.queue(request.query_params, self.person)
        number, after = (request.query_params.get(key) for key in ("picture", "after"))
        with Ledger.read(self.path) as ledger:
            if number is not None:
                row = _row(ledger, asked.picture_number(number))
                return self._page(
                    "look.html",
                    page="look",
                    look=views.look(ledger, row, queue),
                    title=views.QUEUE_TITLES[queue.name],
                    tally=tally(ledger, queue),
                    reasons=views.REASON_KEYS,
                )
            behind = None if after is None else _row(ledger, asked.picture_number(after)).id
            found = following(ledger, queue, behind)
            if not found:
                return self._page(
                    "end.html",
                    page="end",
                    title=views.QUEUE_TITLES[queue.name],
                    tally=tally(ledger, queue),
                    again=None if behind is None else asked.address(queue),
                )
        return RedirectResponse(f"/look?{asked.address(queue, picture=found[0])}", 303)

    def part(self, request: Request) -> Response:
        """One picture, for a page that is there already."""
        queue = asked.queue(request.query_params, self.person)
        side = asked.side(request.query_params)
        with Ledger.read(self.path) as ledger:
            row = _row(ledger, asked.picture_number(request.query_params.get("picture")))
            self.pictures.ahead(row, side)
            return self._page("part.html", look=views.look(ledger, row, queue))

    def left(self, request: Request) -> Response:
        """How far a queue has come."""
        queue = asked.queue(request.query_params, self.person)
        with Ledger.read(self.path) as ledger:
            counted = tally(ledger, queue)
        return JSONResponse({"decided": counted.decided, "left": counted.left})

    # Pictures

    def picture(self, request: Request) -> Response:
        """A picture in one of the sizes."""
        side = asked.side(request.query_params)
        return _jpeg(self.pictures.shown(self._row(request), side))

    def proposed(self, request: Request) -> Response:
        """The same with the proposed move."""
        side = asked.side(request.query_params)
        hints = asked.hints_in(request.query_params)
        return _jpeg(self.pictures.proposed(self._row(request), side, hints))

    def regions(self, request: Request) -> Response:
        """What the regions are taken for, as a picture."""
        side = asked.side(request.query_params)
        return _jpeg(self.pictures.regions(self._row(request), side).jpeg)

    def named(self, request: Request) -> Response:
        """The same in words."""
        side = asked.side(request.query_params)
        return JSONResponse(views.named(self.pictures.regions(self._row(request), side)))

    # Changes, and what takes work

    def decide(self, body: bytes) -> Response:
        """Keep a decision; what is answered is on the disk."""
        wish = asked.wish(body, self.person)
        with Ledger.share(self.path) as ledger:
            row = _row(ledger, wish.picture)
            why = hindrance(row)
            if why:
                raise UnreadablePicture(f"Not decided: {why}")
            if wish.decision == "cast" and wish.hints:
                cast = self.pictures.second(row, wish.hints).judgement.cast
                wish = replace(wish, cast=(cast.a, cast.b))
            kept = decide(ledger, wish)
        return JSONResponse(
            {"pictures": kept.pictures, "words": DECISION_WORDS[wish.decision]}  # type: ignore[index]
        )

    def undo(self, body: bytes) -> Response:
        """Take back the latest decision that stands."""
        asked.document(body, frozenset())
        with Ledger.share(self.path) as ledger:
            kept = undo(ledger, self.person)
        return JSONResponse({"pictures": () if kept is None else kept.pictures})

    def read(self, body: bytes) -> Response:
        """Read a place at full resolution."""
        given = asked.document(body, frozenset({"picture", "x", "y"}))
        x, y = asked.place(given)
        with Ledger.read(self.path) as ledger:
            row = _row(ledger, asked.key(given.get("picture")))
        return self._page("place.html", **views.read(self.pictures.read(row, x, y), row))

    def again(self, body: bytes) -> Response:
        """Judge again with what was said."""
        given = asked.document(body, frozenset({"picture", "hints"}))
        hints = asked.hints(given.get("hints"))
        with Ledger.read(self.path) as ledger:
            row = _row(ledger, asked.key(given.get("picture")))
            rate = ledger.rate_of_casts()
        first = judgement_of(row)
        if first is None:
            raise UnreadablePicture("It was not judged, so there is nothing to compare with.")
        second = self.pictures.second(row, hints)
        return self._page(
            "again.html",
            **views.beside(
                row,
                first,
                second,
                rate,
            ),
        )

    def adopt(self, body: bytes) -> Response:
        """Go by the thresholds that were shown, if the decisions are still the same."""
        shown = asked.document(body, frozenset({"proposal"})).get("proposal")
        with Ledger.share(self.path) as ledger:
            offered = proposal(ledger, self.pictures.models)
            if offered is None or shown != tellings.mark(offered):
                raise HTTPException(
                    409,
                    "More was decided in the meantime; load the page again for the new figures.",
                )
            adopt(ledger, offered, self.person)
        return JSONResponse({})

    def take_back(self, body: bytes) -> Response:
        """Go by the judgements' own verdicts again."""
        asked.document(body, frozenset())
        with Ledger.share(self.path) as ledger:
            take_back(ledger)
        return JSONResponse({})

    def _row(self, request: Request) -> Row:
        with Ledger.read(self.path) as ledger:
            return _row(ledger, asked.picture_number(request.path_params["number"]))

    def _page(self, template: str, **values: object) -> Response:
        text = self.pages.get_template(template).render(
            person=printable(self.person),
            archive=printable(self.path.name),
            token=self.keys.token,
            signs=views.SIGNS,
            **values,
        )
        return HTMLResponse(text, headers={"Cache-Control": "no-store"})


def _row(ledger: Ledger, number: int) -> Row:
    try:
        return ledger.row(number)
    except LedgerError as error:
        if isinstance(error.__cause__, sqlite3.Error):
            raise
        raise HTTPException(404, "There is no such picture.") from error


def _jpeg(content: bytes) -> Response:
    return Response(content, media_type="image/jpeg", headers={"Cache-Control": KEPT_FOR})


def application(review: Review) -> ASGIApp:
    """Everything that is answered, behind what keeps others out."""

    def changing(path: str, answer: Callable[[bytes], Response]) -> Route:
        async def posted(request: Request) -> Response:
            return await run_in_threadpool(answer, await request.body())

        return Route(path, posted, methods=["POST"])

    routes = [
        Route("/", review.queues),
        Route("/told", review.told),
        Route("/look", review.look),
        Route("/part", review.part),
        Route("/left", review.left),
        Route("/picture/{number}", review.picture),
        Route("/picture/{number}/proposed", review.proposed),
        Route("/picture/{number}/regions", review.regions),
        Route("/picture/{number}/named", review.named),
        changing("/decide", review.decide),
        changing("/undo", review.undo),
        changing("/read", review.read),
        changing("/again", review.again),
        changing("/adopt", review.adopt),
        changing("/take-back", review.take_back),
        Route("/favicon.ico", _nothing),  # browsers ask for it unasked
        *(Route(path, _static(*where)) for path, where in STATIC.items()),
    ]
    app = Starlette(
        routes=routes, exception_handlers={HTTPException: _refused, AutocastError: _failed}
    )
    app.router.redirect_slashes = False
    return Guard(app, review.keys)


def _nothing(_: Request) -> Response:
    return Response(status_code=204)


def _static(package: str, name: str, kind: str) -> Callable[[Request], Response]:
    from importlib.resources import files

    content = (files(package) / "templates" / name).read_bytes()

    def answer(_: Request) -> Response:
        return Response(content, media_type=kind, headers={"Cache-Control": "no-cache"})

    return answer


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101 -- as it is registered
    sentence = {404: "There is nothing here.", 405: "That cannot be done here."}
    said = error.detail if error.detail.endswith(".") else sentence.get(error.status_code, "No.")
    return refusal(request.scope, error.status_code, said)


def _failed(request: Request, error: Exception) -> Response:
    status = 503 if isinstance(error, LedgerError) else 422
    return refusal(request.scope, status, printable(str(error)))


def run(  # noqa: PLR0913 -- the options of the command
    ledger: Path,
    *,
    person: str,
    port: int,
    browser: bool,
    models: Models | None,
    memory: int,
    say: Callable[[str], None],
) -> None:
    """Serve the review of a ledger until it is told to end (SIGINT or SIGTERM).

    ``port`` 0 leaves the choice to the system. Raises LedgerError where the ledger cannot
    be written, and OutputError where the port cannot be had.
    """
    pages = environment(REVIEW)
    with Ledger.share(ledger) as opened:
        start_of_draw(opened)
        # Whether decisions can be kept is found out now, not after the first of them.
        opened.set_fact("opened", now())
    with _listening(port) as listening:
        keys = Keys(listening.getsockname()[1])
        pictures = Pictures(models or default_models(), memory)
        app = application(Review(ledger, person, keys, pictures, pages))
        server = uvicorn.Server(settings(app))
        try:
            with _asked_to_end(server):
                say(f"Open {keys.address}")
                say("This address works once, in one browser. Ctrl-C ends the review.")
                if browser:
                    threading.Thread(target=_shown, args=(keys.address, say), daemon=True).start()
                server.run(sockets=[listening])
        finally:
            pictures.close()
    say("Ended. Every decision that was shown as saved is in the ledger.")


def _listening(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        # A review that has just ended leaves connections that the system still remembers.
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1", port))
        listening.listen()
    except OSError as error:
        listening.close()
        reason = error.strerror or str(error)
        raise OutputError(
            f"Port {port} cannot be had ({reason}); name another with --port, or leave it out."
        ) from error
    return listening


def _shown(address: str, say: Callable[[str], None]) -> None:
    try:
        opened = webbrowser.open(address)
    except webbrowser.Error:
        opened = False
    if not opened:
        say("No browser was found; open the address in one.")


class InTime(H11Protocol):
    """A connection that ends where no head of a request comes in time.

    Else those that are silent, or say a byte now and then, would hold all places for ever.
    """

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def on_response_complete(self) -> None:
        """Wait for the next."""
        super().on_response_complete()
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        super().connection_lost(exc)
        if self._late is not None:
            self._late.cancel()

    def _wait(self) -> None:
        if self._late is not None:
            self._late.cancel()
        self._late = self.loop.call_later(security.DEADLINE, self._gave_up)

    def _gave_up(self) -> None:
        # While a request is answered its body has a deadline of its own.
        if getattr(self.cycle, "response_complete", True):  # None before the first
            self.transport.close()


def settings(app: ASGIApp) -> uvicorn.Config:
    """How the application is served."""
    return uvicorn.Config(
        app,
        loop="asyncio",  # whatever else is installed: what is served is what is tested
        http=InTime,
        ws="none",
        lifespan="off",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        log_level="error",
        limit_concurrency=AT_ONCE,
        h11_max_incomplete_event_size=HEAD_LIMIT,
        timeout_graceful_shutdown=GRACE,
    )


@contextlib.contextmanager
def _asked_to_end(server: uvicorn.Server) -> Iterator[None]:
    """Signals end the server alone: before it runs, by this; then by its own, raised again here."""

    def asked(*_: object) -> None:
        server.should_exit = True

    numbers: list[int] = [signal.SIGINT, signal.SIGTERM]
    hangup = getattr(signal, "SIGHUP", None)
    # When its terminal closes, what is raised in a request would be that request's affair alone.
    if hangup is not None and signal.getsignal(hangup) is not signal.SIG_IGN:
        numbers.append(hangup)
    before = {number: signal.signal(number, asked) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
