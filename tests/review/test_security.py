"""Who is kept out of a review, and that what they send does no harm."""

from __future__ import annotations

import os
import re
import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from pathlib import Path

import httpx
import pytest

from autocast.archive.ledger import Ledger
from autocast.report.text import printable
from autocast.review import security
from autocast.review.security import HEADERS, TOKEN_HEADER
from tests import ledgers
from tests.reviews import Served, serving

DECIDE = {"picture": 1, "decision": "fine", "queue": "all"}


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("guarded")
    names = ledgers.HOSTILE
    ledger = ledgers.build(folder, names, ledgers.cycle(len(names)))
    with serving(ledger) as running:
        yield running


@pytest.fixture
def client(served: Served) -> Iterator[httpx.Client]:
    with served.client() as one:
        yield one


def decisions(served: Served) -> int:
    with Ledger.read(served.ledger) as ledger:
        return int(ledger.select("SELECT count(*) FROM decisions")[0][0])


def one_sentence(answer: httpx.Response) -> bool:
    """Whether an answer is one line for people, and no traceback."""
    text = answer.text
    if answer.headers["content-type"].startswith("text/html"):
        text = re.sub(r"<[^>]+>", "", text.partition("<h1>")[2].partition("</h1>")[2])
    return text.strip().endswith(".") and "\n" not in text.strip() and "Traceback" not in text


def test_the_address_lets_one_browser_in_and_then_nobody(tmp_path: Path) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png"], ledgers.cycle(1))
    with serving(ledger) as served, httpx.Client() as first, httpx.Client() as second:
        wrong = first.get(f"{served.origin}/enter?token={'x' * 43}")
        assert (wrong.status_code, one_sentence(wrong)) == (403, True)
        entered = first.get(served.entry)
        assert (entered.status_code, entered.headers["location"]) == (303, "/")
        said = entered.headers["set-cookie"].lower()
        assert "httponly" in said
        assert "samesite=strict" in said
        assert str(served.keys.port) in said.partition("=")[0]
        assert first.get(served.origin).status_code == 200
        again = second.get(served.entry)
        assert (again.status_code, one_sentence(again)) == (403, True)
        assert "autocast review" in again.text
        assert not second.cookies
        # Whoever is in may use a bookmark of it.
        assert first.get(served.entry).status_code == 303


def test_secrets_are_long_and_differ() -> None:
    one, other = security.Keys(1), security.Keys(1)
    secrets = [one.entry, one.cookie, one.token, other.entry, other.cookie, other.token]
    assert len({*secrets}) == 6
    # base64 of 6 bits a character
    assert all(len(each or "") * 6 >= 128 for each in secrets)


@pytest.mark.parametrize("path", ["/", "/look?queue=all", "/told", "/picture/1?side=160", "/none"])
def test_without_the_cookie_nothing_is_told(served: Served, path: str) -> None:
    for cookies in ({}, {served.keys.cookie_name: "x"}, {served.keys.cookie_name: ""}):
        with httpx.Client(cookies=cookies) as stranger:
            answer = stranger.get(served.origin + path)
            assert (answer.status_code, one_sentence(answer)) == (403, True)
            assert "archive" not in answer.text


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:{port}", "127.0.0.1", "localhost", "127.0.0.1:1", "[::1]:{port}",
     "127.0.0.1:{port}.evil.example", ""],
)  # fmt: skip
def test_a_foreign_name_is_refused(served: Served, client: httpx.Client, host: str) -> None:
    answer = client.get("/", headers={"Host": host.format(port=served.keys.port)})
    assert answer.status_code in {400, 421}
    assert client.get("/", headers={"Host": f"localhost:{served.keys.port}"}).status_code == 200


@pytest.mark.parametrize(
    "changed",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1:{port}"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": ""},
        {TOKEN_HEADER: ""},
        {TOKEN_HEADER: "x" * 43},
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Cookie": "autocast-review-{port}=x"},
    ],
)
def test_no_change_from_elsewhere(
    served: Served, client: httpx.Client, changed: dict[str, str]
) -> None:
    before = decisions(served)
    client.cookies.clear()
    headers = {"Cookie": f"{served.keys.cookie_name}={served.keys.cookie}"}
    headers |= {name: value.format(port=served.keys.port) for name, value in changed.items()}
    for path in ("/decide", "/undo", "/read", "/again", "/adopt", "/take-back"):
        headers.setdefault("Content-Type", "application/json")
        answer = client.post(path, content=b'{"picture": 1}', headers=headers)
        assert answer.status_code in {403, 415}, path
        assert one_sentence(answer)
    assert decisions(served) == before


def test_a_change_without_an_origin_is_refused(client: httpx.Client) -> None:
    del client.headers["Origin"]
    assert client.post("/decide", json=DECIDE).status_code == 403
    assert client.get("/decide").status_code == 405


def test_every_answer_carries_the_policy(served: Served, client: httpx.Client) -> None:
    with httpx.Client() as stranger:
        answers = [
            client.get("/"),
            client.get("/picture/1?side=160"),
            client.get("/review.js"),
            client.get("/nothing"),
            client.post("/decide", content=b"["),
            stranger.get(served.origin),
            client.get("/", headers={"Host": "evil.example"}),
        ]
    for answer in answers:
        assert HEADERS.items() <= {k: answer.headers.get(k) for k in HEADERS}.items()
        assert "server" not in answer.headers
    policy = HEADERS["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy


@pytest.mark.parametrize(
    "path",
    [
        "/picture/../../etc/passwd", "/picture/..%2f..%2fetc%2fpasswd", "/picture/%2e%2e/1",
        "/picture/-1?side=160", "/picture/0x1?side=160", "/picture/1.0?side=160",
        "/picture/99999999999999999999999999?side=160", "/picture/" + "9" * 5000 + "?side=160",
        "/picture/999999?side=160", "/picture/1e3?side=160", "/picture/?side=160",
        "/picture/%00?side=160", "/picture/%D9%A1?side=160", "/templates/", "/review.js/..",
        "/style.css%00", "//evil.example/", "/look?queue=nothing", "/part?queue=all",
        "/look?queue=all&picture=-1", "/look?queue=all&after=x",
    ],
)  # fmt: skip
def test_there_is_nothing_at_other_paths(served: Served, path: str) -> None:
    # Sent as it stands: other clients tidy paths up.
    connection = HTTPConnection("127.0.0.1", served.keys.port, timeout=10)
    cookie = f"{served.keys.cookie_name}={served.keys.cookie}"
    connection.request("GET", path, headers={"Cookie": cookie})
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    assert answer.status in {400, 404}
    assert "location" not in answer.headers
    assert not re.search("root:|Traceback|templates", text)


@pytest.mark.parametrize(
    "query",
    ["side=1", "side=", "side=1e9", "side=-160", "", "side=160&hints=[[[[", "side=160&hints={}",
     "side=160&hints=" + "[" * 3000, 'side=160&hints=[{"what":"sky","x":1e999,"y":1}]',
     'side=160&hints=[{"what":"sky","x":NaN,"y":1}]',
     'side=160&hints=[{"what":"gold","x":1,"y":1}]',
     'side=160&hints=[{"what":"sky","x":true,"y":1}]'],
)  # fmt: skip
def test_what_is_asked_of_a_picture_is_checked(client: httpx.Client, query: str) -> None:
    answer = client.get(f"/picture/1/proposed?{query}")
    assert (answer.status_code, one_sentence(answer)) == (400, True)


@pytest.mark.parametrize("name", ["folder", "hue", "remark"])
@pytest.mark.parametrize("value", ["'; DROP TABLE pictures; --", "\x00", "é", "A" * 4000])
def test_filters_are_checked(client: httpx.Client, name: str, value: str) -> None:
    answer = client.get("/", params={name: value})
    assert answer.status_code in {200, 400}
    assert client.get("/").status_code == 200


@pytest.mark.parametrize(
    "body",
    [
        b"", b"[", b"[]", b"null", b"1", b'"x"', b"\xff\xfe", b"[" * 60_000, b'{"a":' * 9_000,
        b'{"picture": 1}', b'{"picture": 1, "decision": "sold", "queue": "all"}',
        b'{"picture": "1", "decision": "fine", "queue": "all"}',
        b'{"picture": true, "decision": "fine", "queue": "all"}',
        b'{"picture": 1e3, "decision": "fine", "queue": "all"}',
        b'{"picture": -1, "decision": "fine", "queue": "all"}',
        b'{"picture": 1, "decision": "fine", "queue": "all", "person": "eve"}',
        b'{"picture": 1, "decision": "fine", "queue": "all", "cast": [1, 2]}',
        b'{"picture": 1, "decision": "fine", "queue": "all", "over": "archive"}',
        b'{"picture": 1, "decision": "fine", "queue": "all", "over": ["series"]}',
        b'{"picture": 1, "decision": "fine", "queue": "all", "note": 5}',
        b'{"picture": 1, "decision": "fine", "queue": "all", "note": "' + b"x" * 5_000 + b'"}',
        b'{"picture": 1, "decision": "fine", "queue": "all", "hints": [{"what": "sky"}]}',
        b'{"picture": 1, "decision": "fine", "queue": "all", "hints": {"what": "sky"}}',
        b'{"picture": ' + b"9" * 6_000 + b', "decision": "fine", "queue": "all"}',
    ],
)  # fmt: skip
def test_what_is_no_decision_is_refused_in_a_sentence(
    served: Served, client: httpx.Client, body: bytes
) -> None:
    before = decisions(served)
    answer = client.post("/decide", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code in {400, 404}
    assert one_sentence(answer)
    assert decisions(served) == before


def test_too_much_is_refused_declared_or_not(client: httpx.Client) -> None:
    headers = {"Content-Type": "application/json"}
    much = b"[" + b" " * security.BODY_LIMIT + b"]"
    assert client.post("/decide", content=much, headers=headers).status_code == 413

    def pieces() -> Iterator[bytes]:
        for _ in range(40):
            yield b" " * 4096

    assert client.post("/decide", content=pieces(), headers=headers).status_code == 413
    assert client.post("/decide", json=DECIDE).status_code == 200
    client.post("/undo", json={})


def test_a_body_that_dribbles_in_is_given_up_and_others_are_served_meanwhile(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(security, "DEADLINE", 0.6)
    head = (
        f"POST /decide HTTP/1.1\r\nHost: 127.0.0.1:{served.keys.port}\r\n"
        f"Origin: {served.origin}\r\nCookie: {served.keys.cookie_name}={served.keys.cookie}\r\n"
        f"{TOKEN_HEADER}: {served.keys.token}\r\nContent-Type: application/json\r\n"
        "Content-Length: 500\r\n\r\n{"
    )
    with socket.create_connection(("127.0.0.1", served.keys.port)) as slow:
        slow.sendall(head.encode())
        for _ in range(3):
            time.sleep(0.1)
            slow.sendall(b" ")
            assert _answers(served)
        slow.settimeout(5)
        assert b" 408 " in slow.recv(4096).partition(b"\r\n")[0]


@pytest.mark.parametrize("said", [b"", b"GET / HT", b"%b"])
def test_a_connection_that_says_nothing_more_is_closed(
    served: Served, monkeypatch: pytest.MonkeyPatch, said: bytes
) -> None:
    monkeypatch.setattr(security, "DEADLINE", 0.6)
    whole = f"GET /favicon.ico HTTP/1.1\r\nHost: 127.0.0.1:{served.keys.port}\r\n\r\nGET".encode()
    with socket.create_connection(("127.0.0.1", served.keys.port)) as silent:
        silent.sendall(said.replace(b"%b", whole))
        silent.settimeout(5)
        assert _answers(served)
        answer = b""
        while part := silent.recv(4096):
            answer += part
    assert answer[:12] == (b"HTTP/1.1 204" if said == b"%b" else b"")
    assert _answers(served)


def _answers(served: Served) -> bool:
    """Over a connection of its own: one that was kept may be closed as it is used."""
    with served.client() as client:
        return client.get("/").status_code == 200


def test_two_hundred_requests_at_once_are_all_answered(served: Served) -> None:
    limits = httpx.Limits(max_connections=200)
    paths = ["/", "/picture/1?side=160", "/look?queue=all&picture=1", "/left?queue=casts"]
    with served.client(limits=limits) as client, ThreadPoolExecutor(200) as pool:
        found = list(pool.map(lambda k: client.get(paths[k % 4]).status_code, range(200)))
    assert found == [200] * 200


def test_names_are_shown_and_never_obeyed(served: Served, client: httpx.Client) -> None:
    with Ledger.read(served.ledger) as ledger:
        rows = [row for page in ledger.pages() for row in page if row.failure is None]
    shown = 0
    for row in rows:
        text = client.get(f"/look?queue=all&picture={row.id}").text
        name = printable(os.fsdecode(row.path.rpartition(b"/")[2]))
        body = text.partition("<h1")[2].partition("</h1>")[0].partition(">")[2]
        assert name == (
            body.replace("<wbr>", "")
            .replace("&lt;", "<").replace("&gt;", ">").replace("&#34;", '"').replace("&#39;", "'")
            .replace("&amp;", "&")
        )  # fmt: skip
        for forbidden in ("<img src=x", "<svg onload", "<script>", "\u202e", "\u2028", "style="):
            assert forbidden not in text
        shown += 1
    assert shown == len(ledgers.HOSTILE)


def test_an_unknown_failure_is_told_without_its_inside(client: httpx.Client) -> None:
    answer = client.get("/picture/14?side=160")  # the torn one
    assert answer.status_code == 422
    assert "could not be judged" in answer.text
    assert "<b onclick" not in answer.text
