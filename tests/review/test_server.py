"""What a review answers: pictures as they are and corrected, readings, decisions, figures."""

from __future__ import annotations

import builtins
import io
import json
import os
import re
import webbrowser
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from PIL import Image, ImageCms
from typer.testing import CliRunner

from autocast import judging, measuring
from autocast.archive.decisions import Wish, decide, decided
from autocast.archive.learnt import adopted
from autocast.archive.ledger import Ledger
from autocast.archive.queues import QUEUES
from autocast.archive.rows import Row
from autocast.cli import app
from autocast.colour import srgb_to_linear
from autocast.correction import Move, curves
from autocast.errors import PictureTooLarge
from autocast.judgement import DECISION_WORDS, Decision, Hint, Judgement
from autocast.modelstore import default_models
from autocast.picture import srgb_space
from autocast.review import asked, pictures
from tests import ledgers
from tests.reviews import Served, serving


@pytest.fixture
def client(served: Served) -> Iterator[httpx.Client]:
    with served.client() as one:
        yield one


def rows(ledger: Path) -> dict[str, Row]:
    """All rows, by folder and name."""
    with Ledger.read(ledger) as opened:
        found = [row for page in opened.pages(documents=True) for row in page]
    return {"/".join(row.name.rsplit("/", 2)[1:]): row for row in found}


def standing(ledger: Path, row: Row) -> list[tuple[str, str, str]]:
    with Ledger.read(ledger) as opened:
        return [(each.person, each.decision, each.reason) for each in decided(opened, row)]


def wish(row: Row, decision: str, **more: Any) -> dict[str, Any]:  # noqa: ANN401 -- JSON
    return {"picture": row.id, "decision": decision, "queue": "all", **more}


def neutral(row: Row) -> tuple[float, float]:
    """The first neutral place worth a look, in pixels."""
    judgement = Judgement.from_json(row.document or "")
    spot = next(each for each in judgement.look_at if each.kind == "neutrals")
    return round(spot.x * judgement.width, 1), round(spot.y * judgement.height, 1)


def opened(content: bytes) -> Image.Image:
    return Image.open(io.BytesIO(content))


# Pictures


@pytest.mark.parametrize("side", [160, 640])
def test_a_picture_comes_in_the_size_asked_for_and_names_its_colours(
    served: Served, client: httpx.Client, side: int
) -> None:
    row = rows(served.ledger)["plain/china.jpg"]
    answer = client.get(f"/picture/{row.id}", params={"side": side})
    assert answer.headers["content-type"] == "image/jpeg"
    image = opened(answer.content)
    assert max(image.size) == min(side, 400)
    profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
    assert "sRGB" in ImageCms.getProfileDescription(profile)


def test_the_proposed_correction_is_nearer_to_the_scene(
    served: Served, client: httpx.Client
) -> None:
    found = rows(served.ledger)
    cold, plain = found["cold/china.jpg"], found["plain/china.jpg"]

    def shown(row: Row, kind: str = "") -> np.ndarray[Any, np.dtype[np.float64]]:
        image = opened(client.get(f"/picture/{row.id}{kind}", params={"side": 640}).content)
        return np.asarray(srgb_to_linear(np.asarray(image) / 255.0).mean(axis=(0, 1)))

    scene, before, after = shown(plain), shown(cold), shown(cold, "/proposed")
    balance = [each[2] / each[0] for each in (scene, before, after)]
    assert abs(balance[2] - balance[0]) < 0.5 * abs(balance[1] - balance[0])


@pytest.mark.parametrize("casts", [((0, 12), (0, 10), (0, 8)), ((12, -20), (8, -14), (2, -4))])
def test_the_table_shows_what_the_move_does(casts: tuple[tuple[float, float], ...]) -> None:
    move = Move(casts, (2.0, 2.0, 2.0))
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 256, (60, 60, 1)) + rng.integers(-40, 41, (60, 60, 3))
    codes = np.clip(codes, 0, 255).astype(np.uint8)
    exact = curves(move, srgb_space())(codes.reshape(-1, 3) / 255).reshape(codes.shape)
    off = np.abs(pictures.moved(codes, move) - np.rint(exact * 255))
    assert np.quantile(off, 0.99) <= 2
    assert off.mean() < 0.5


def test_a_turned_picture_is_shown_upright(served: Served) -> None:
    row = rows(served.ledger)["plain/coffee.jpg"]
    path = Path(row.name)
    with Image.open(path) as image:
        exif = image.getexif()
        exif[0x0112] = 6  # turned by a quarter
        turned = io.BytesIO()
        image.save(turned, "JPEG", exif=exif)
        size = image.size
    other = served.ledger.parent / "turned.jpg"
    other.write_bytes(turned.getvalue())
    shown = pictures.Pictures(default_models())
    assert opened(shown.shown(_row_of(row, other), 640)).size == size[::-1]
    shown.close()


def test_what_takes_more_memory_than_allowed_is_told_and_shown_where_more_is(
    served: Served,
) -> None:
    row = rows(served.ledger)["plain/coffee.jpg"]
    little, enough = (pictures.Pictures(default_models(), n) for n in (1_000_000, 100_000_000))
    for look in (lambda: little.shown(row, 64), lambda: little.second(row, ())):
        with pytest.raises(PictureTooLarge, match="allow it with --memory"):
            look()
    assert max(opened(enough.shown(row, 64)).size) == 64
    little.close()
    enough.close()


def _row_of(row: Row, path: Path) -> Row:
    from dataclasses import replace

    stat = path.stat()
    return replace(
        row, path=os.fsencode(path), size=stat.st_size, mtime=stat.st_mtime_ns, gone=False
    )


def test_regions_are_drawn_and_named(served: Served, client: httpx.Client) -> None:
    row = rows(served.ledger)["plain/china.jpg"]
    drawn = client.get(f"/picture/{row.id}/regions", params={"side": 640})
    assert opened(drawn.content).size == (row.width, row.height)
    named = client.get(f"/picture/{row.id}/named", params={"side": 640}).json()
    assert any("neutral" in each["words"] or "sky" in each["words"] for each in named)
    assert all(0 <= float(each[k][:-1]) <= 100 for each in named for k in ("x", "y"))


def test_what_is_kept_in_memory_is_bounded() -> None:
    from concurrent.futures import ThreadPoolExecutor

    made: list[int] = []

    def make(number: int) -> bytes:
        made.append(number)
        return bytes(40)

    with ThreadPoolExecutor(2) as pool:
        cache: pictures.Kept[bytes] = pictures.Kept(pool, 100, len)
        for number in (1, 2, 1, 3):
            assert cache.get(number, lambda number=number: make(number)) == bytes(40)  # type: ignore[misc]
        assert made == [1, 2, 3]
        cache.get(1, lambda: make(1))  # asked for since 2 was, so it is there
        cache.get(2, lambda: make(2))
        assert made == [1, 2, 3, 2]
        with pytest.raises(ZeroDivisionError):
            cache.get("bad", lambda: bytes(1 // 0))
        assert cache.get("bad", lambda: b"x") == b"x"


# Pictures that are not there as they were


@pytest.mark.parametrize("happened", ["gone", "changed", "torn"])
def test_what_cannot_be_seen_is_said_and_not_decided(tmp_path: Path, happened: str) -> None:
    ledger = ledgers.build(tmp_path, [b"a.png", b"b.png"], ledgers.cycle(2))
    path = tmp_path / "archive" / "a.png"
    if happened == "gone":
        path.unlink()
    elif happened == "changed":
        Image.new("RGB", (9, 9)).save(path)
    else:  # unreadable, with the size and time that the ledger knows
        stat = path.stat()
        path.write_bytes(path.read_bytes()[:40].ljust(stat.st_size, b"x"))
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    number = next(row.id for name, row in rows(ledger).items() if name.endswith("a.png"))
    with serving(ledger) as served, served.client() as client:
        image = client.get(f"/picture/{number}?side=640")
        assert image.status_code == 422
        assert re.search("presort again|damaged|whole|read", image.text)
        if happened != "torn":
            page = client.get(f"/look?queue=all&picture={number}").text
            assert "cannot be shown" in page
            assert "presort again" in page
            refused = client.post(
                "/decide", json={"picture": number, "decision": "fine", "queue": "all"}
            )
            assert refused.status_code == 422
            assert refused.text.startswith("Not decided: ")
            with Ledger.read(ledger) as read:
                assert not read.select("SELECT 1 FROM decisions")


# Decisions


@pytest.mark.parametrize("decision", DECISION_WORDS)
def test_a_decision_is_in_the_ledger_once_it_is_confirmed(
    served: Served, client: httpx.Client, decision: Decision
) -> None:
    row = rows(served.ledger)["cold/china.jpg"]
    answer = client.post("/decide", json=wish(row, decision, reason="night", note="by the sea"))
    assert answer.json()["pictures"] == [row.id]
    with Ledger.read(served.ledger) as ledger:
        (said,) = decided(ledger, row)
    assert (said.decision, said.reason, said.note) == (decision, "night", "by the sea")
    assert said.person == "ada"
    assert said.cast == ((row.a, row.b) if decision == "cast" else None)
    page = client.get(f"/look?queue=all&picture={row.id}").text
    assert f"You: {DECISION_WORDS[decision]}".replace("'", "&#39;") in page


def test_undo_goes_back_without_end(served: Served, client: httpx.Client) -> None:
    found = list(rows(served.ledger).values())
    for row in found[:3]:
        client.post("/decide", json=wish(row, "fine"))
    taken = [client.post("/undo", json={}).json()["pictures"] for _ in range(4)]
    assert taken == [[row.id] for row in reversed(found[:3])] + [[]]
    assert all(not standing(served.ledger, row) for row in found)


def test_a_series_is_decided_at_once(served: Served, client: httpx.Client) -> None:
    leaf = rows(served.ledger)["box/leaf_001.jpg"]
    page = client.get(f"/look?queue=all&picture={leaf.id}").text
    assert 'data-sharing="4"' in page
    assert page.count('alt="leaf_00') == 4
    kept = client.post("/decide", json=wish(leaf, "cast", over="series")).json()
    assert len(kept["pictures"]) == 4
    assert client.get("/left?queue=all").json()["decided"] == 4
    assert len(client.post("/undo", json={}).json()["pictures"]) == 4
    assert client.get("/left?queue=all").json()["decided"] == 0


def test_a_folder_is_meant_so_and_never_cast_at_once(served: Served, client: httpx.Client) -> None:
    row = rows(served.ledger)["warm/coffee.jpg"]
    refused = client.post("/decide", json=wish(row, "cast", over="folder"))
    assert refused.status_code == 503
    kept = client.post("/decide", json=wish(row, "meant_so", over="folder", reason="low sun"))
    assert row.id in kept.json()["pictures"]
    assert ("ada", "meant_so", "low sun") in standing(served.ledger, row)


def test_queues_lead_on_and_end(client: httpx.Client) -> None:
    for name in QUEUES:
        met = []
        at = client.get(f"/look?queue={name}")
        while at.status_code == 303:
            number = re.search(r"picture=(\d+)", at.headers["location"])
            assert number
            met.append(int(number.group(1)))
            at = client.get(f"/look?queue={name}&after={met[-1]}")
        assert at.status_code == 200
        assert "the end of the queue" in at.text
        assert len(met) == len(set(met)) == client.get(f"/left?queue={name}").json()["left"]


def test_what_is_narrowed_is_kept_as_no_random_sample(served: Served, client: httpx.Client) -> None:
    row = rows(served.ledger)["box/leaf_001.jpg"]
    key = asked.folder_key(row.folder)
    for query, kept in (
        ("queue=sample", "sample"),
        (f"queue=sample&folder={key}", "all"),
        ("queue=audit&hue=blue", "all"),
        (f"queue=casts&folder={key}", "casts"),
    ):
        page = client.get(f"/look?{query}&picture={row.id}").text
        assert f'data-queue="{kept}"' in page, query


def test_the_first_page_counts_and_narrows(served: Served, client: httpx.Client) -> None:
    found = rows(served.ledger)
    page = client.get("/").text
    assert f"{len(found)} pictures" in page
    key = asked.folder_key(found["box/leaf_001.jpg"].folder)
    assert f'value="{key}"' in page
    narrowed = client.get("/", params={"folder": key}).text
    assert f'value="{key}" selected' in narrowed
    assert "4 pictures" in narrowed
    assert f"folder={key}" in narrowed.replace("%3D", "=")
    hue = found["cold/china.jpg"].hue
    assert client.get(f"/left?queue=all&hue={hue}").json()["left"] < len(found)


def test_what_two_people_decided_differently_is_shown_with_how_far_they_agree(
    served: Served, client: httpx.Client
) -> None:
    found = list(rows(served.ledger).values())
    with Ledger.share(served.ledger) as ledger:
        for row in found[:6]:
            decide(ledger, Wish(row.id, "fine", "ben"))
    for k, row in enumerate(found[:6]):
        client.post("/decide", json=wish(row, "cast" if k == 2 else "fine"))
    assert client.get("/left?queue=disagreements").json()["left"] == 1
    page = client.get(f"/look?queue=disagreements&picture={found[2].id}").text
    assert "ben: fine" in page
    assert "You: cast" in page
    # Elsewhere what others decided would only sway.
    assert "ben: fine" not in client.get(f"/look?queue=all&picture={found[2].id}").text
    assert "ada and ben both decided 6 pictures" in client.get("/").text


# Readings, hints


def test_a_place_is_read_at_full_resolution(served: Served, client: httpx.Client) -> None:
    row = rows(served.ledger)["plain/china.jpg"]
    answer = client.post("/read", json={"picture": row.id, "x": 200.5, "y": 20.5})
    text = re.sub(r"<[^>]+>", " ", answer.text)
    assert re.search(r"reads\s+L\*", text)
    assert "is neutral" in text
    outside = client.post("/read", json={"picture": row.id, "x": 9000, "y": 5})
    assert outside.status_code == 422
    assert "lies outside" in outside.text


@pytest.mark.parametrize(("most", "times"), [(pictures.READ_PIXELS, 2), (0, 3)])
def test_a_second_place_of_a_picture_is_read_without_judging_again(
    served: Served, monkeypatch: pytest.MonkeyPatch, most: int, times: int
) -> None:
    found = rows(served.ledger)
    examined = []

    def counted(*given: Any, **more: Any) -> judging.Examination:  # noqa: ANN401 -- as they come
        examined.append(given)
        return judging.examine(*given, **more)

    monkeypatch.setattr(pictures, "READ_PIXELS", most)
    monkeypatch.setattr(measuring, "examine", counted)
    shown = pictures.Pictures(default_models())
    for name in ("plain/china.jpg", "plain/china.jpg", "cold/astronaut.jpg"):
        shown.read(found[name], 100, 100)
    shown.close()
    assert len(examined) == times


def test_hints_are_judged_with_compared_and_kept_with_the_decision(
    served: Served, client: httpx.Client
) -> None:
    row = rows(served.ledger)["cold/astronaut.jpg"]
    x, y = neutral(row)
    hints = [{"what": "neutral", "x": x, "y": y, "radius": 6.0}]
    answer = client.post("/again", json={"picture": row.id, "hints": hints})
    assert "Judged again" in answer.text
    assert "With what you said" in answer.text
    assert 'data-withdraw="0"' in answer.text
    none = client.post("/again", json={"picture": row.id, "hints": []})
    assert "Judged again" not in none.text
    client.post("/decide", json=wish(row, "cast", hints=hints))
    with Ledger.read(served.ledger) as ledger:
        (said,) = decided(ledger, row)
    assert said.hints == (Hint("neutral", x, y, 6.0),)
    assert said.cast is not None
    assert said.cast != (row.a, row.b)
    proposed = {"side": "640", "hints": json.dumps(hints)}
    one = client.get(f"/picture/{row.id}/proposed", params=proposed)
    other = client.get(f"/picture/{row.id}/proposed", params={"side": "640"})
    assert one.content != other.content


def test_a_hint_that_cannot_be_read_is_refused_in_a_sentence(
    served: Served, client: httpx.Client
) -> None:
    row = rows(served.ledger)["cold/astronaut.jpg"]
    hints = [{"what": "neutral", "x": 260.0, "y": 380.0, "radius": -6.0}]
    answer = client.post("/again", json={"picture": row.id, "hints": hints})
    assert answer.status_code == 422
    assert answer.text.endswith(".")


# What the decisions show


def test_what_the_decisions_tell_and_thresholds_adopted_and_taken_back(tmp_path: Path) -> None:
    count = 60
    names = [b"%03d.png" % k for k in range(count)]
    ledger = ledgers.build(tmp_path, names, _by_own_models(count), failures=0)
    with serving(ledger) as served, served.client() as client:
        assert "30 more are needed" in client.get("/told").text
        queues = client.get("/").text
        assert '<span class="number">30</span> needed' in queues
        with Ledger.share(ledger) as opened:
            for row in [row for page in opened.pages() for row in page]:
                # Nothing that is called a cast is one: the thresholds must close.
                decide(opened, Wish(row.id, "fine", "ada", queue="sample"))
        assert "enough" in client.get("/").text
        page = client.get("/told").text
        assert "<td>passes</td>" in page
        assert "between" in page
        assert "95 % interval" in page
        body = re.search(r'data-post="/adopt" data-body="([^"]+)"', page)
        assert body
        sent = json.loads(body.group(1).replace("&#34;", '"').replace("&quot;", '"'))
        assert client.post("/adopt", json={"proposal": "0" * 64}).status_code == 409
        assert client.post("/adopt", json=sent).status_code == 200
        with Ledger.read(ledger) as opened:
            assert (adopted(opened) or {})["person"] == "ada"
        assert "adopted by ada" in client.get("/told").text
        assert client.post("/take-back", json={}).status_code == 200
        with Ledger.read(ledger) as opened:
            assert adopted(opened) is None


def _by_own_models(count: int) -> list[Any]:
    from dataclasses import replace

    return [replace(each, model=default_models().id) for each in ledgers.cycle(count)]


# The command


def test_bad_input_gets_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    runner = CliRunner()

    def said(*arguments: str) -> str:
        result = runner.invoke(app, ["review", *arguments, "--no-open"])
        assert result.exit_code == 1
        assert result.output.count("\n") == 1
        return result.output

    assert "does not exist" in said(str(tmp_path / "none.ledger"))
    text = tmp_path / "text.ledger"
    text.write_text("no ledger")
    assert "is no ledger" in said(str(text))
    assert runner.invoke(app, ["review", str(text), "--person", " "]).exit_code == 2
    assert runner.invoke(app, ["review", str(text), "--port", "70000"]).exit_code == 2

    known = builtins.__import__

    def without(name: str, *rest: Any) -> Any:  # noqa: ANN401 -- as the interpreter's own
        if name == "uvicorn":
            raise ImportError(name)
        return known(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    assert "pip install 'autocast[review]'" in said(str(text))


def test_no_browser_is_said_and_the_review_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    from autocast.review import server

    heard: list[str] = []
    monkeypatch.setattr(webbrowser, "open", lambda _: False)
    server._shown("http://127.0.0.1:1/", heard.append)
    assert heard == ["No browser was found; open the address in one."]


def test_originals_are_never_changed(served: Served, client: httpx.Client) -> None:
    found = rows(served.ledger)
    before = {
        row.name: (Path(row.name).read_bytes(), Path(row.name).stat()) for row in found.values()
    }
    row = found["cold/china.jpg"]
    for address in ("?side=640", "/proposed?side=640", "/regions?side=640"):
        assert client.get(f"/picture/{row.id}{address}").status_code == 200
    client.post("/decide", json=wish(row, "cast"))
    for name, (content, stat) in before.items():
        assert Path(name).read_bytes() == content
        assert Path(name).stat().st_mtime_ns == stat.st_mtime_ns
    beside = set(Path(row.name).parent.iterdir())
    assert beside == {Path(name) for name in before if Path(name).parent == Path(row.name).parent}
