"""The review attacked by requests that no browser sends. A script, no test.

    python tests/studies/knocking.py

A review is served and gets, byte for byte: names, cookies, origins, tokens, kinds and methods
that are wrong; heads that are no HTTP, too long, or that another server would read otherwise;
bodies that are no decision; a second request behind a good one; and hundreds of connections
that say nothing. None may be answered as if it were let in, bring a traceback, change a
decision, or keep others from being served. Wanted is 0 of each.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import contextlib
import json
import socket
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from random import Random

import httpx

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.archive.ledger import Ledger  # noqa: E402
from autocast.review.security import DEADLINE  # noqa: E402
from tests import ledgers  # noqa: E402
from tests.reviews import Served, serving  # noqa: E402

MANY = 300
"""Connections that say nothing: more than the review takes at once."""
ODD = ("\ud800", "\udc80", "\0", "\u202e\u2028", "<b>" * 600, "\ufffe", "x" * 2000)
"""Notes of characters that are no text, or are seldom meant."""


@dataclass(frozen=True)
class Line:
    """A connection of its own to the review, for bytes as they stand."""

    served: Served

    def send(self, data: bytes, *, wait: float = 0.5) -> bytes:
        """All that is answered until the other side ends, or for so many seconds."""
        out = b""
        with socket.create_connection(("127.0.0.1", self.served.keys.port), 5) as line:
            line.settimeout(wait)
            with contextlib.suppress(OSError):
                line.sendall(data)
                while part := line.recv(65536):
                    out += part
        return out

    def head(self, first: str = "GET / HTTP/1.1", *more: str, **changed: str | None) -> bytes:
        """A request that was let in, but for what is changed (None: left out)."""
        keys = self.served.keys
        fields: dict[str, str | None] = {
            "Host": f"127.0.0.1:{keys.port}",
            "Cookie": f"{keys.cookie_name}={keys.cookie}",
            **{name.replace("_", "-"): value for name, value in changed.items()},
        }
        lines = [first, *(f"{k}: {v}" for k, v in fields.items() if v is not None), *more]
        return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")

    def post(self, body: bytes, *more: str, **changed: str | None) -> bytes:
        """A decision that would be taken, but for what is changed."""
        given: dict[str, str | None] = {
            "Origin": self.served.origin,
            "X_Review_Token": self.served.keys.token,
            "Content_Type": "application/json",
            "Content_Length": str(len(body)),
            **changed,
        }
        return self.head("POST /decide HTTP/1.1", *more, **given) + body


WISH = json.dumps({"picture": 1, "decision": "fine", "queue": "all"}).encode()


def strangers(line: Line) -> Iterator[tuple[str, bytes]]:
    """Requests that lack what lets one in, or name another place."""
    port, keys = line.served.keys.port, line.served.keys
    mine = f"127.0.0.1:{port}"
    hosts = [
        "evil.example",
        f"evil.example:{port}",
        "localhost",
        f"{mine}.",
        f"{mine}.evil.example",
        f"{mine}@evil.example",
        f"evil.example@{mine}",
        f"127.1:{port}",
        f"2130706433:{port}",
        f"0x7f000001:{port}",
        f"0.0.0.0:{port}",
        f"[::1]:{port}",
        f"[::ffff:127.0.0.1]:{port}",
        f"127.0.0.1:0{port}",
        f"127.0.0.1:{port}#",
        f"127.0.0.1:{port}/",
        f"localhost.:{port}",
        f"{mine}, evil.example",
        "",
        "null",
        "*",
        f"127.0.0.1:{port}\tx",
        "\xff",
        "a" * 4000,
    ]
    for host in hosts:
        yield f"Host {host[:40]!r}", line.head(Host=host)
    yield "no Host", line.head(Host=None)
    yield "two Hosts", line.head("GET / HTTP/1.1", f"Host: {mine}")
    yield "two Hosts, one foreign", line.head("GET / HTTP/1.1", "Host: evil.example")
    yield "HTTP/1.0 without a Host", line.head("GET / HTTP/1.0", Host=None)
    yield "HTTP/0.9", b"GET /\r\n\r\n"
    yield (
        "an address with a foreign name",
        line.head("GET http://evil.example/ HTTP/1.1", Host="evil.example"),
    )
    yield (
        "X-Forwarded-Host alone",
        line.head("GET / HTTP/1.1", f"X-Forwarded-Host: {mine}", Host="evil.example"),
    )
    cookies = [
        "",
        keys.cookie_name,
        f"{keys.cookie_name}=",
        f"{keys.cookie_name}=x",
        f"{keys.cookie_name}={keys.cookie}x",
        f"{keys.cookie_name}={keys.cookie[:-1]}",
        f"{keys.cookie_name}={keys.cookie.swapcase()}",
        f"autocast-review-1={keys.cookie}",
        f"{keys.cookie_name}={keys.token}",
        f"{keys.cookie_name}=\xe9\x00",
        f"{keys.cookie_name.upper()}={keys.cookie}",
        f"{keys.cookie_name}={keys.cookie}; {keys.cookie_name}=x",
        "=" * 3000,
        ";" * 3000,
    ]
    for cookie in cookies:
        yield f"Cookie {cookie[:40]!r}", line.head(Cookie=cookie)
        yield f"POST, Cookie {cookie[:40]!r}", line.post(WISH, Cookie=cookie)
    yield "no Cookie", line.head(Cookie=None)
    yield (
        "Authorization for a Cookie",
        line.head("GET / HTTP/1.1", f"Authorization: Bearer {keys.cookie}", Cookie=None),
    )
    origins = [
        None,
        "",
        "null",
        "http://evil.example",
        f"https://{mine}",
        f"http://{mine}.evil.example",
        f"http://{mine}/",
        "file://",
        f"http://127.0.0.1:{port + 1}",
        "http://127.0.0.1",
        f"HTTP://{mine}",
        f"http://x@{mine}",
        f"http://[::1]:{port}",
    ]
    for origin in origins:
        yield f"Origin {origin!r}", line.post(WISH, Origin=origin)
    for token in (
        None,
        "",
        "x" * 43,
        keys.cookie,
        keys.token[:-1],
        keys.token + "x",
        keys.token.swapcase(),
        "\xe9",
        "x" * 9000,
    ):
        yield f"token {str(token)[:12]!r}", line.post(WISH, X_Review_Token=token)
    for kind in (
        None,
        "",
        "text/plain",
        "application/x-www-form-urlencoded",
        "multipart/form-data",
        "application/jsonp",
        "text/json",
    ):
        yield f"Content-Type {kind!r}", line.post(WISH, Content_Type=kind)
    for method in (
        "PUT",
        "DELETE",
        "PATCH",
        "TRACE",
        "CONNECT",
        "OPTIONS",
        "PROPFIND",
        "post",
        "DEBUG",
        "X" * 500,
    ):
        yield f"{method[:9]} /decide", line.post(WISH).replace(b"POST", method.encode(), 1)
    for name in ("X-HTTP-Method-Override", "X-Method-Override", "X-HTTP-Method"):
        yield name, line.head("GET /decide HTTP/1.1", f"{name}: POST")
    yield (
        "a GET that would decide",
        line.head("GET /decide?picture=1&decision=fine&queue=all HTTP/1.1"),
    )


def no_http(line: Line) -> Iterator[tuple[str, bytes]]:
    """What is no request, or is one that another reads otherwise; or comes from elsewhere."""
    yield "PRI", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"
    yield "TLS", bytes.fromhex("16030100ca010000c60303") + bytes(200)
    yield "noise", Random(1).randbytes(4000) + b"\r\n\r\n"  # noqa: S311 -- repeatable, not secret
    yield "a line without an end", b"GET /" + b"a" * 40_000
    yield (
        "too many fields",
        line.head("GET / HTTP/1.1", *(f"X-{k}: y" for k in range(3000)), Cookie=None),
    )
    yield "a long field", line.head("GET / HTTP/1.1", "X: " + "y" * 100_000, Cookie=None)
    yield "a long path", line.head("GET /" + "a" * 100_000 + " HTTP/1.1")
    yield "a field that goes on below", line.head("GET / HTTP/1.1", " evil: x", Host="evil.example")
    yield (
        "a bare line feed",
        line.head().replace(b"\r\nCookie", b"\nX: y\nCookie").replace(b"Cookie", b"Cook\rie"),
    )
    yield "a space before the colon", line.head().replace(b"Cookie:", b"Cookie :")
    yield "NUL in a field", line.head("GET / HTTP/1.1", "X: \0")
    for path in (
        "/%0d%0aSet-Cookie:%20a=b",
        "/%00",
        "/..%5c..%5cetc%5cpasswd",
        "/./decide/../../x",
        "/review.js%2f..%2f..%2fserver.py",
        "/static/../server.py",
        "/picture/1/../../x",
        "/\xff\xfe",
        "*",
        "//evil.example/%2e%2e",
        "/picture/1%20?side=160",
        "/picture/1;x?side=160",
        "/picture/\uff11?side=160".encode().decode("latin-1"),
        "/openapi.json",
        "/docs",
        "/.git/config",
    ):
        yield f"path {path[:40]!r}", line.head(f"GET {path} HTTP/1.1")
    size = str(len(WISH))
    yield "two lengths", line.post(WISH, f"Content-Length: {len(WISH) + 1}")
    yield (
        "a length and chunks",
        line.post(
            b"%x\r\n%s\r\n0\r\n\r\n" % (len(WISH), WISH), "Transfer-Encoding: chunked", Cookie="x"
        ),
    )
    for length in (
        "-1",
        "+" + size,
        "0x20",
        " ",
        "1e3",
        "9" * 30,
        size + ", " + size + "0",
        "\xb2",
    ):
        yield f"length {length[:9]!r}", line.post(WISH, Content_Length=length)
    yield (
        "a coding that is not known",
        line.post(WISH, "Transfer-Encoding: xchunked", Content_Length=None),
    )
    yield (
        "a chunk that is no number",
        line.post(b"zz\r\nx\r\n0\r\n\r\n", "Transfer-Encoding: chunked", Content_Length=None),
    )
    yield (
        "a chunk too long",
        line.post(b"fffffffffffffff\r\nx", "Transfer-Encoding: chunked", Content_Length=None),
    )
    yield (
        "a chunk's words",
        line.post(
            b"1;" + b"x" * 60_000 + b"\r\n{\r\n0\r\n\r\n",
            "Transfer-Encoding: chunked",
            Content_Length=None,
        ),
    )
    yield "Expect", line.post(WISH, "Expect: 200-ok", X_Review_Token=None)


def no_decision(line: Line) -> Iterator[tuple[str, bytes]]:
    """Bodies that are none."""
    bodies: list[bytes] = [
        b"",
        b"{",
        b"\0",
        b"\xff\xfe{\0}\0",
        b"\xef\xbb\xbf" + WISH[:-1],
        b"[" * 60_000,
        b'{"a":' * 12_000,
        b"9" * 60_000,
        b"-",
        WISH.replace(b"1", b"1e400"),
        WISH.replace(b"1", b"NaN"),
        WISH.replace(b"1", b"1" * 5000),
        WISH.replace(b"1", b"[1]"),
        WISH.replace(b"fine", b"\\ud800"),
        WISH.replace(b"fine", b"__proto__"),
        WISH.replace(b"all", b"\\u0000"),
        b'"' + b"\\u0000" * 9000 + b'"',
        WISH[:-1] + b', "__proto__": {}}',
        WISH[:-1] + b', "hints": [{"what": "sky", "x": 1e308, "y": 0}]}',
        WISH[:-1] + b', "note": {}}',
        WISH[:-1] + b', "hints": [' + b'{"what":"sky","x":1,"y":1},' * 500 + b"1]}",
        WISH + b"x",
        WISH + WISH,
        b" " * 70_000,
    ]
    for body in bodies:
        yield f"body {body[:30]!r}", line.post(body)


@dataclass
class Count:
    """What was found, and among how many."""

    found: Counter[str] = field(default_factory=Counter)
    sent: int = 0

    def wrong(self, kind: str, detail: str) -> None:
        """One more; the first few of each are told."""
        self.found[kind] += 1
        if self.found[kind] <= 5:
            print(f"{kind}: {detail[:400]}", flush=True)


def decisions(ledger: Path) -> int:
    """How many rows of decisions there are."""
    with Ledger.read(ledger) as opened:
        return int(opened.select("SELECT count(*) FROM decisions")[0][0])


def knock(line: Line, count: Count) -> None:
    """Everything that must be refused."""
    before = decisions(line.served.ledger)
    if b" 200 " not in line.send(line.head("GET / HTTP/1.1", "Connection: close"))[:15]:
        raise SystemExit("What is let in is not answered.")
    for name, data in chain(strangers(line), no_http(line), no_decision(line)):
        count.sent += 1
        answer = line.send(data)
        status = answer[9:12].decode("latin-1")
        if answer and not status.startswith(("4", "50")):
            count.wrong("answered as if let in", f"{name}: {answer!r}")
        if status.startswith("500") or b"Traceback" in answer or b"root:" in answer:
            count.wrong("error of the server", f"{name}: {answer[-300:]!r}")
        if b"\r\nset-cookie:" in answer.lower() or b"evil.example" in answer:
            count.wrong("an answer that carries what was sent", f"{name}: {answer!r}")
        if decisions(line.served.ledger) != before:
            count.wrong("a decision from elsewhere", name)
            before = decisions(line.served.ledger)


def follow(line: Line, count: Count) -> None:
    """A second request behind a good one is looked at for itself."""
    before = decisions(line.served.ledger)
    for name, second in (
        ("a foreign name", line.head(Host="evil.example")),
        ("a stranger's change", line.post(WISH, Cookie="x")),
        ("a change from elsewhere", line.post(WISH, Origin="null")),
    ):
        count.sent += 1
        answer = line.send(line.head() + second)
        if answer.count(b"HTTP/1.1 200") != 1 or decisions(line.served.ledger) != before:
            count.wrong("let in behind another", f"{name}: {answer[-300:]!r}")


def note(line: Line, count: Count) -> None:
    """A note may have any characters that JSON can write."""
    for number, text in enumerate(ODD):
        count.sent += 1
        wish = {"picture": 1 + number, "decision": "fine", "queue": "all", "note": text}
        answer = line.send(line.post(json.dumps(wish).encode()))
        if answer[9:12] != b"200":
            count.wrong("a note that is not kept", f"{text[:9]!r}: {answer[-300:]!r}")


def hold(line: Line, client: httpx.Client, count: Count) -> None:
    """Connections that say nothing, or little; others must be served meanwhile."""
    beginnings = {
        "nothing": b"",
        "half a head": line.head()[:40],
        "half a body": line.post(WISH)[:-9],
    }
    for name, data in beginnings.items():
        count.sent += MANY
        with contextlib.ExitStack() as stack:
            for _ in range(MANY):
                one = socket.create_connection(("127.0.0.1", line.served.keys.port), 5)
                stack.enter_context(one)
                with contextlib.suppress(OSError):
                    one.sendall(data)
            time.sleep(1)  # all are taken up
            started, status = time.monotonic(), 0
            while time.monotonic() - started < 2 * DEADLINE and status != 200:
                with contextlib.suppress(httpx.HTTPError):
                    status = client.get("/").status_code
                time.sleep(0.2)
            took = time.monotonic() - started
        print(f"{MANY} connections that send {name}: others are served after {took:.1f} s")
        if status != 200:
            count.wrong("others were not served", name)


def main() -> None:
    """Run and print."""
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    started, count = time.monotonic(), Count()
    with tempfile.TemporaryDirectory() as folder:
        names = [b"%d.png" % k for k in range(len(ODD))]
        made = ledgers.build(Path(folder), names, ledgers.cycle(len(names)))
        with serving(made) as served, served.client() as client:
            line = Line(served)
            knock(line, count)
            follow(line, count)
            note(line, count)
            hold(line, client, count)
    print(f"{count.sent} requests or beginnings in {time.monotonic() - started:.0f} s")
    for kind, number in sorted(count.found.items()):
        print(f"{number:>8}  {kind}")
    print(f"{count.found.total():>8}  in all")


if __name__ == "__main__":
    main()
