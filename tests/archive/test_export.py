"""What other programs get: CSV, JSON Lines, Parquet, and XMP sidecars."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote_to_bytes

import pytest
from lxml import etree
from typer.testing import CliRunner

from autocast.archive.decisions import Wish, by_content, decide
from autocast.archive.export import COLUMNS, defused, export
from autocast.archive.grades import export_decisions, write_manifest
from autocast.archive.kept import check_kept
from autocast.archive.ledger import Ledger, now
from autocast.archive.rows import Entry, Outcome, Row
from autocast.archive.sidecars import NAMESPACE, SUBJECT, completed, sidecar_of, write_sidecars
from autocast.cli import app
from autocast.errors import LedgerError, OutputError
from autocast.judgement import Judgement
from autocast.picture.writing import whole
from tests import ledgers, samples

RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
DC = "{http://purl.org/dc/elements/1.1/}"
OURS = f"{{{NAMESPACE}}}"
ODD = b"/a/=cmd|' /C calc'!A0 caf\xe9\n.jpg"


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    path = tmp_path / "a.ledger"
    entries = [(b"/a/1.jpg", 0), (ODD, 1), (b"/a/b/3.jpg", 2)]
    with Ledger.write(path) as opened:
        opened.record(
            Outcome(
                Entry(name, 10, 20),
                now(),
                "f" * 64,
                replace(samples.ALL[k], name=os.fsdecode(name)).to_json(),
                camera="=HYPERLINK(1)",
            )
            for name, k in entries
        )
        opened.record(
            [Outcome(Entry(b"/a/\xff.jpg", None, None), now(), failure="\udcff is empty.")]
        )
    return path


def written(ledger: Path, to: Path) -> Path:
    with Ledger.read(ledger) as opened:
        assert export(opened, to) == (4, 0)
    return to


def test_csv_holds_every_picture_and_no_formula(ledger: Path, tmp_path: Path) -> None:
    text = written(ledger, tmp_path / "a.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(text.splitlines(keepends=True)))
    assert list(rows[0]) == list(COLUMNS)
    assert [row["verdict"] for row in rows] == ["cast", "clear", "ask", ""]
    assert float(rows[0]["cast_b"]) == -8.4  # numbers stay numbers
    assert rows[0]["camera"] == "'=HYPERLINK(1)"
    assert unquote_to_bytes(rows[1]["uri"].removeprefix("file://")) == ODD
    assert rows[3]["failure"] == "\\xff is empty."
    for row in rows:
        for name, cell in row.items():
            assert COLUMNS[name][0] is not str or not cell.startswith(
                ("=", "+", "-", "@", "\t", "\r")
            )


@pytest.mark.parametrize(
    "text", ["=1", "+1", "-1", "@x", "\uff1d1", "\uff0b1", "\uff0d1", "\uff20x"]
)
def test_what_a_spreadsheet_would_calculate_is_defused(text: str) -> None:
    assert defused(text) == f"'{text}"
    assert defused(f"a{text}") == f"a{text}"
    for end in "\t\r\n":
        assert defused(f"{end}a{text}") == f"'{end}a{text}"
    # Where a semicolon or a line's end begins a cell.
    for end in ";\t\r\n":
        assert defused(f"a{end}{text}") == f"a{end}'{text}"
    assert defused("a; b - c, =") == "a; b - c, ="
    assert defused(-1.5) == -1.5


def test_json_lines_hold_the_judgements_in_full(ledger: Path, tmp_path: Path) -> None:
    lines = written(ledger, tmp_path / "a.jsonl").read_text(encoding="ascii").splitlines()
    rows = [json.loads(line) for line in lines]
    assert Judgement.from_json(json.dumps(rows[0]["judgement"])) == replace(
        samples.LIKELY, name="/a/1.jpg"
    )
    assert rows[1]["path"] == "/a/=cmd|' /C calc'!A0 caf\\xe9\n.jpg"
    assert rows[3]["judgement"] is None
    json.dumps(rows).encode("utf-8")  # nothing that UTF-8 cannot carry


def test_parquet_says_the_same_as_json_lines(ledger: Path, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    table = pq.read_table(written(ledger, tmp_path / "a.parquet")).to_pylist()
    lines = written(ledger, tmp_path / "a.jsonl").read_text(encoding="ascii").splitlines()
    for row, line in zip(table, lines, strict=True):
        expected = json.loads(line)
        judgement = row.pop("judgement")
        assert (None if judgement is None else json.loads(judgement)) == expected.pop("judgement")
        assert row == expected


def test_nothing_is_overwritten_unasked_and_nothing_half_written_stays(
    ledger: Path, tmp_path: Path
) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text("mine", encoding="ascii")
    with Ledger.read(ledger) as opened:
        with pytest.raises(OutputError, match="exists already"):
            export(opened, mine)
        assert mine.read_text(encoding="ascii") == "mine"
        assert export(opened, mine, force=True) == (4, 0)
        with pytest.raises(OutputError, match=r"must end in \.csv, \.jsonl, \.parquet"):
            export(opened, tmp_path / "a.xlsx")
        with pytest.raises(OutputError, match="does not exist; make the folder first"):
            export(opened, tmp_path / "none" / "a.csv")
        before = set(tmp_path.iterdir())
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(csv.DictWriter, "writerows", _no_space)
            with pytest.raises(OutputError, match="No space left"):
                export(opened, tmp_path / "b.csv")
        assert set(tmp_path.iterdir()) == before


def _no_space(*_: object) -> None:
    raise OSError(28, "No space left on device")


def test_the_ledger_is_never_the_file_to_write(tmp_path: Path, ledger: Path) -> None:
    link = tmp_path / "link.csv"
    link.symlink_to(ledger)
    with Ledger.read(ledger) as opened, pytest.raises(OutputError, match="is the ledger itself"):
        export(opened, link, force=True)


KEPT = r"never changed|sidecar of a picture|ledger itself|belongs to the ledger"


def _other_spelling(path: Path) -> Path:
    return path.parent / "below" / ".." / path.name


def _soft(path: Path) -> Path:
    link = path.with_name("soft.csv")
    link.symlink_to(path)
    return link


def _hard(path: Path) -> Path:
    link = path.with_name("hard.csv")
    link.hardlink_to(path)
    return link


@pytest.mark.parametrize("spelled", [lambda path: path, _other_spelling, _soft, _hard])
@pytest.mark.parametrize("of", ["1.csv", "1.csv.xmp", "2.xmp", "s.ledger", "s.ledger.lock"])
def test_no_table_is_written_onto_what_a_ledger_is_about(
    tmp_path: Path, of: str, spelled: Callable[[Path], Path]
) -> None:
    pictures(tmp_path, "1.csv", "2.jpg")
    (tmp_path / "below").mkdir()
    kept = tmp_path / of
    kept.touch()
    before = kept.read_bytes()
    to = spelled(kept)
    with Ledger.read(tmp_path / "s.ledger") as opened:
        for write in (export, export_decisions):
            if to.suffix == ".csv":
                with pytest.raises(OutputError, match=KEPT):
                    write(opened, to, force=True)
        with pytest.raises(OutputError, match=KEPT):
            check_kept(opened, to)
        assert export(opened, tmp_path / "new.csv") == (2, 0)
    assert kept.read_bytes() == before


def test_a_manifest_is_not_written_onto_a_picture(tmp_path: Path) -> None:
    (row,) = pictures(tmp_path, "manifest.csv")
    with Ledger.share(tmp_path / "s.ledger") as opened:
        decide(opened, Wish(row.id, "fine", "Ada"))
        with pytest.raises(OutputError, match="is a picture of the ledger"):
            write_manifest(opened, tmp_path, force=True)
    assert (tmp_path / "manifest.csv").read_bytes() == b"picture manifest.csv"


def test_a_link_that_leads_nowhere_is_not_replaced_unasked(ledger: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.csv"
    link.symlink_to(tmp_path / "nowhere")
    with Ledger.read(ledger) as opened, pytest.raises(OutputError, match="exists already"):
        export(opened, link)
    assert link.is_symlink()
    with pytest.MonkeyPatch.context() as patch:  # a file system without links
        patch.setattr(Path, "hardlink_to", _no_space)
        with pytest.raises(OutputError, match="exists already"), whole(link, force=False):
            pass
    assert link.is_symlink()


# --- sidecars ---------------------------------------------------------------------

EXISTING = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <!-- kept -->
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about="uuid:7" xmlns:shelf="http://shelf.example/1/" shelf:Row="12">
   <dc:subject xmlns:dc="http://purl.org/dc/elements/1.1/"><rdf:Bag>
     <rdf:li>harbour</rdf:li><rdf:li>autocast: likely cast</rdf:li></rdf:Bag></dc:subject>
   <shelf:Note xml:lang="en">caf\u00e9 &amp; bar</shelf:Note>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>""".encode()


def pictures(tmp_path: Path, *names: str) -> list[Row]:
    path = tmp_path / "s.ledger"
    with Ledger.write(path) as opened:
        for k, name in enumerate(names):
            file = tmp_path / name
            file.write_bytes(b"picture " + name.encode())
            facts = file.stat()
            entry = Entry(os.fsencode(file), facts.st_size, facts.st_mtime_ns)
            judgement = replace(samples.ALL[k % 3], name=str(file))
            opened.record([Outcome(entry, now(), "f" * 64, judgement.to_json())])
        return opened.page(0, by="path")


def read(content: bytes) -> etree._Element:
    return etree.fromstring(content)


def values(root: etree._Element, tag: str) -> list[str]:
    return [element.text or "" for element in root.iter(tag)]


def test_a_new_sidecar_says_what_the_judgement_says(tmp_path: Path) -> None:
    (row,) = pictures(tmp_path, "1.jpg")
    ((_, done),) = write_sidecars([[row]], {})
    assert done == tmp_path / "1.jpg.xmp"
    content = done.read_bytes()
    assert content.startswith(b'<?xpacket begin="\xef\xbb\xbf" id=')
    root = read(content)
    assert values(root, f"{OURS}Verdict") == ["cast"]
    assert values(root, f"{OURS}CastB") == ["-8.40"]
    (remarks,) = root.iter(f"{OURS}Remarks")
    assert values(remarks, f"{RDF}li") == ["no_profile", "dominant_colour"]
    assert not list(root.iter(f"{DC}subject"))  # only where it is asked for
    assert (tmp_path / "1.jpg").read_bytes() == b"picture 1.jpg"


def test_what_a_sidecar_said_stays(tmp_path: Path) -> None:
    (row,) = pictures(tmp_path, "1.jpg")
    once = completed(EXISTING, row, (), subjects=True)
    twice = completed(once, replace(row, verdict="clear"), (), subjects=True)
    for content, verdict, words in (
        (once, "cast", "likely cast"),
        (twice, "clear", "no evident cast"),
    ):
        root = read(content)
        assert values(root, f"{OURS}Verdict") == [verdict]
        (bag,) = (
            root.iter(f"{RDF}Bag")
            if verdict == "none"
            else [b for s in root.iter(f"{DC}subject") for b in s]
        )
        assert values(bag, f"{RDF}li") == ["harbour", SUBJECT + words]
        (first, ours) = root.iter(f"{RDF}Description")
        assert first.get("{http://shelf.example/1/}Row") == "12"
        assert values(root, "{http://shelf.example/1/}Note") == ["caf\u00e9 & bar"]
        assert {d.get(f"{RDF}about") for d in (first, ours)} == {"uuid:7"}
        assert b"<!-- kept -->" in content
        assert content.startswith(b"<?xpacket begin=")
        assert content.rstrip().endswith(b'<?xpacket end="w"?>')
    # Without ours, it is what it was.
    root = read(completed(EXISTING, row, (), subjects=False))
    (_, ours) = root.iter(f"{RDF}Description")
    parent = ours.getparent()
    assert parent is not None
    parent.remove(ours)
    assert (
        etree.tostring(root, method="c14n").split()
        == etree.tostring(read(EXISTING), method="c14n").split()
    )


def test_properties_written_as_attributes_are_replaced_too(tmp_path: Path) -> None:
    (row,) = pictures(tmp_path, "1.jpg")
    old = EXISTING.replace(
        b'shelf:Row="12"', f'shelf:Row="12" xmlns:ac="{NAMESPACE}" ac:Verdict="ask"'.encode()
    )
    root = read(completed(old, row, (), subjects=False))
    assert values(root, f"{OURS}Verdict") == ["cast"]
    assert all(d.get(f"{OURS}Verdict") is None for d in root.iter(f"{RDF}Description"))


def test_two_pictures_with_one_stem_have_a_sidecar_each(tmp_path: Path) -> None:
    rows = pictures(tmp_path, "1.jpg", "1.tif", "2.jpg")
    for name in ("1.xmp", "2.xmp"):
        (tmp_path / name).write_bytes(EXISTING)
    done = [path for _, path in write_sidecars([rows], {})]
    assert done == [tmp_path / "1.jpg.xmp", tmp_path / "1.tif.xmp", tmp_path / "2.xmp"]
    assert (tmp_path / "1.xmp").read_bytes() == EXISTING  # whose it is cannot be told
    said = [
        values(read(path.read_bytes()), f"{OURS}Verdict") for path in done if isinstance(path, Path)
    ]
    assert said == [["cast"], ["clear"], ["ask"]]
    # A name of its own goes before.
    (tmp_path / "2.jpg.xmp").write_bytes(EXISTING)
    assert sidecar_of(tmp_path / "2.jpg") == tmp_path / "2.jpg.xmp"


BOMB = b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><x>&b;</x>'


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no well-formed XML"),
        (b"<x", "no well-formed XML"),
        (b"<x/>", "no XMP"),
        (BOMB, "document type"),
        (b"<x>" + b" " * (17 << 20) + b"</x>", "too large"),
    ],
)
def test_what_is_no_xmp_is_left_as_it_is(tmp_path: Path, content: bytes, said: str) -> None:
    rows = pictures(tmp_path, "1.jpg", "2.jpg")
    (tmp_path / "1.jpg.xmp").write_bytes(content)
    ((_, bad), (_, good)) = write_sidecars([rows], {})
    assert isinstance(bad, OutputError)
    assert "is left as it is: it " in str(bad)
    assert said in str(bad)
    assert "\n" not in str(bad)
    assert (tmp_path / "1.jpg.xmp").read_bytes() == content
    assert good == tmp_path / "2.jpg.xmp"


def test_a_name_too_long_for_a_sidecar_is_named_and_the_others_get_theirs(tmp_path: Path) -> None:
    long = "x" * 248 + ".jpg"
    rows = pictures(tmp_path, "1.jpg", long, "y.jpg")
    (_, first), (_, failed), (_, last) = write_sidecars([rows], {})
    assert (first, last) == (tmp_path / "1.jpg.xmp", tmp_path / "y.jpg.xmp")
    assert isinstance(failed, OutputError)
    assert str(failed) == f"{tmp_path / long} gets no sidecar: File name too long."


def test_a_sidecar_that_is_a_pipe_is_not_waited_at(tmp_path: Path) -> None:
    rows = pictures(tmp_path, "1.jpg", "2.jpg", "3.jpg")
    os.mkfifo(tmp_path / "1.jpg.xmp")
    os.mkfifo(tmp_path / "2.xmp")
    said = [str(done) for _, done in write_sidecars([rows], {})]
    assert "1.jpg.xmp cannot be read: it is a pipe" in said[0]
    assert "2.xmp cannot be read: it is a pipe" in said[1]
    assert said[2] == str(tmp_path / "3.jpg.xmp")


def test_a_picture_that_changed_or_went_gets_no_sidecar(tmp_path: Path) -> None:
    rows = pictures(tmp_path, "1.jpg", "2.jpg")
    (tmp_path / "1.jpg").write_bytes(b"another picture")
    (tmp_path / "2.jpg").unlink()
    said = [str(done) for _, done in write_sidecars([rows], {})]
    assert "has changed since it was judged" in said[0]
    assert "is not there any more" in said[1]
    assert not list(tmp_path.glob("*.xmp"))


def test_a_sidecar_that_cannot_be_written_leaves_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (row,) = pictures(tmp_path, "1.jpg")
    target = tmp_path / "1.jpg.xmp"
    target.write_bytes(EXISTING)
    target.chmod(0o640)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", _no_space)
        ((_, done),) = write_sidecars([[row]], {})
        assert "No space left" in str(done)
    assert target.read_bytes() == EXISTING
    assert {p.name for p in tmp_path.iterdir()} >= {"1.jpg", "1.jpg.xmp"}
    assert not list(tmp_path.glob(".*"))
    list(write_sidecars([[row]], {}))
    assert target.stat().st_mode & 0o777 == 0o640


def test_a_sidecar_carries_what_people_decided_and_who(tmp_path: Path) -> None:
    (row,) = pictures(tmp_path, "1.jpg")
    with Ledger.share(tmp_path / "s.ledger") as opened:
        decide(opened, Wish(row.id, "meant_so", "Ada \x0b", note="<lamp> & moon", reason="night"))
        decide(opened, Wish(row.id, "cast", "Ben"))
        said = by_content(opened)
    ((_, done),) = write_sidecars([[row]], said, subjects=True)
    assert isinstance(done, Path)
    root = read(done.read_bytes())
    (decided,) = root.iter(f"{OURS}Decisions")
    one, other = values(decided, f"{RDF}li")
    assert one.startswith("meant so, by Ada, 20")
    assert other.startswith("cast, by Ben, 20")
    (notes,) = root.iter(f"{OURS}DecisionNotes")
    assert values(notes, f"{RDF}li") == ["Ada: night; <lamp> & moon"]
    (subjects,) = root.iter(f"{DC}subject")
    assert values(subjects, f"{RDF}li") == [
        SUBJECT + "decided: cast", SUBJECT + "decided: meant so",
    ]  # fmt: skip
    # Taken back, it goes; only ours does.
    root = read(completed(done.read_bytes(), row, (), subjects=True))
    assert not list(root.iter(f"{OURS}Decisions"))
    (subjects,) = root.iter(f"{DC}subject")
    assert values(subjects, f"{RDF}li") == [SUBJECT + "likely cast"]


def test_what_is_sound_in_a_damaged_ledger_is_salvaged(tmp_path: Path) -> None:
    names = [f"mole/{k:03}.png".encode() for k in range(300)]
    ledger = ledgers.build(tmp_path, names, ledgers.cycle(len(names)), 0)
    with contextlib.closing(sqlite3.connect(ledger)) as plain:
        plain.execute("PRAGMA ignore_check_constraints = ON")
        plain.execute("UPDATE pictures SET verdict = 'perhaps' WHERE id = 2")
        plain.execute("UPDATE judgements SET json = '{' WHERE picture IN (3, 4)")
        plain.commit()
        roots = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = 'pictures'")
        (root,) = roots.fetchone()
    with Ledger.read(ledger) as opened:
        with pytest.raises(LedgerError, match="damaged"):
            export(opened, tmp_path / "a.jsonl")
        assert not (tmp_path / "a.jsonl").exists()
        assert export(opened, tmp_path / "a.csv", salvage=True) == (299, 1)
        assert export(opened, tmp_path / "a.jsonl", salvage=True) == (297, 3)
    lines = (tmp_path / "a.jsonl").read_text().splitlines()
    assert {json.loads(line)["verdict"] for line in lines} == {"clear", "cast", "ask"}
    # A leaf of the table is gone: the other leaves' rows are still read.
    data = bytearray(ledger.read_bytes())
    size = int.from_bytes(data[16:18], "big")
    first = int.from_bytes(data[size * (root - 1) + 12 : size * (root - 1) + 14], "big")
    leaf = int.from_bytes(data[size * (root - 1) + first :][:4], "big")
    data[size * (leaf - 1) : size * leaf] = bytes(size)
    ledger.write_bytes(data)
    with Ledger.read(ledger) as opened:
        count, lost = export(opened, tmp_path / "b.csv", salvage=True)
    assert 200 < count < 299
    assert count + lost == 300
    told = CliRunner().invoke(
        app, ["export", str(ledger), "--salvage", "--to", f"{tmp_path}/c.csv"]
    )
    assert f"{count} pictures written to" in told.stdout
    assert f"{lost} or more could not be read" in told.stdout


def test_a_ledger_that_was_cut_is_salvaged(tmp_path: Path) -> None:
    names = [f"mole/{k:03}.png".encode() for k in range(300)]
    ledger = ledgers.build(tmp_path, names, ledgers.cycle(len(names)), 0)
    os.truncate(ledger, ledger.stat().st_size * 3 // 4)
    with pytest.raises(LedgerError, match=r"restore a copy of it, or save .* export --salvage"):
        Ledger.read(ledger)
    before = ledger.read_bytes()
    with Ledger.read(ledger, salvage=True) as opened:
        count, lost = export(opened, tmp_path / "a.csv", salvage=True)
    assert 200 < count < 300
    assert lost == 1  # of how many more there were nothing is left
    assert ledger.read_bytes() == before


@pytest.mark.parametrize("name", ["overview", "members", "series", "facts"])
def test_pictures_do_not_wait_for_what_joins_them(tmp_path: Path, name: str) -> None:
    names = [f"mole/{k:03}.png".encode() for k in range(8)]
    ledger = ledgers.build(tmp_path, names, ledgers.cycle(len(names)), 1)
    with contextlib.closing(sqlite3.connect(ledger)) as plain:
        plain.execute("PRAGMA writable_schema = ON")
        plain.execute("UPDATE sqlite_master SET sql = 'CREATE rot' WHERE name = ?", (name,))
        plain.commit()
    with pytest.raises(LedgerError), Ledger.read(ledger) as opened:
        list(opened.pages())
    with Ledger.read(ledger, salvage=True) as opened:
        rows = list(opened.salvaged(documents=True))
    assert [row and row.name.rpartition("/")[2] for row in rows][:2] == ["000.png", "001.png"]
    assert [row and row.failure is None for row in rows] == [True] * 8 + [False]
    assert all(row and row.archive_probability is None and row.series is None for row in rows)
