"""Walking an archive: order, links, what is left out, names of any bytes."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from autocast.archive.rows import Entry
from autocast.archive.walk import Chosen, Seen, resolve_root, walk
from autocast.errors import ArchiveError

JPEG = b"\xff\xd8\xff\xe0" + bytes(60)


def names(
    root: Path | str, *, include: tuple[str, ...] = (), exclude: tuple[str, ...] = ()
) -> list[str]:
    top = resolve_root(str(root))
    seen = Seen()
    found = walk([top], Chosen(include, exclude), seen)
    return [os.fsdecode(entry.path[len(top) + 1 :]) for entry, _ in found]


def put(path: Path, content: bytes = JPEG) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def test_files_come_before_folders_each_by_name(tmp_path: Path) -> None:
    for name in ("b/2.jpg", "b/10.jpg", "a/x/1.jpg", "a/1.jpg", "c.jpg", "B.jpg"):
        put(tmp_path / name)
    expected = ["B.jpg", "c.jpg", "a/1.jpg", "a/x/1.jpg", "b/10.jpg", "b/2.jpg"]
    assert names(tmp_path) == expected
    assert names(tmp_path) == expected


def test_a_picture_is_known_by_its_content_and_a_claim_by_its_name(tmp_path: Path) -> None:
    put(tmp_path / "scan", JPEG)
    put(tmp_path / "raw.dat", b"FUJIFILMCCD-RAW " + bytes(60))  # refused later, in words
    put(tmp_path / "empty.JPG", b"")
    put(tmp_path / "page.tiff", b"<html>")
    put(tmp_path / "notes.txt", b"BMW is a text, MM a beginning")
    put(tmp_path / "film.mp4", b"\0\0\0\x18ftypisom" + bytes(60))
    put(tmp_path / "paper", b"%PDF-1.7" + bytes(60))
    put(tmp_path / "nothing", b"")
    assert names(tmp_path) == ["empty.JPG", "page.tiff", "raw.dat", "scan"]
    seen = Seen()
    list(walk([os.fsencode(tmp_path)], Chosen(), seen))
    assert seen.others == 4
    # A sidecar belongs to its picture.
    put(tmp_path / "scan.xmp", b"<x:xmpmeta")
    put(tmp_path / "page.tiff.XMP", b"<x:xmpmeta")
    seen = Seen()
    list(walk([os.fsencode(tmp_path)], Chosen(), seen))
    assert seen.others == 4


@pytest.mark.parametrize("scheme", ["", "file://"])
def test_what_is_no_file_is_not_met(tmp_path: Path, scheme: str) -> None:
    put(tmp_path / "1.jpg")
    (tmp_path / "2.jpg").symlink_to(tmp_path / "1.jpg")
    os.mkfifo(tmp_path / "pipe")
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "link").symlink_to(tmp_path / "pipe")
    assert names(f"{scheme}{tmp_path}") == ["1.jpg", "2.jpg"]


def test_hidden_and_system_folders_and_files_are_left_out(tmp_path: Path) -> None:
    for name in (".h/1.jpg", "$RECYCLE.BIN/1.jpg", "@eaDir/1.jpg", "._1.jpg", "a/.t.jpg", "1.jpg"):
        put(tmp_path / name)
    assert names(tmp_path) == ["1.jpg"]
    assert names(tmp_path / ".h") == ["1.jpg"]  # but what is named is walked


def test_no_loop_of_links_is_endless_and_no_picture_is_met_twice_by_one(tmp_path: Path) -> None:
    root = tmp_path / "root"
    put(root / "a" / "1.jpg")
    outside = put(tmp_path / "outside" / "deep" / "2.jpg").parent.parent
    (outside / "back").symlink_to(outside)
    (outside / "home").symlink_to(root)
    (root / "a" / "self").symlink_to(root / "a")
    (root / "b").symlink_to(root / "a")
    (root / "up").symlink_to(tmp_path)
    (root / "away").symlink_to(outside)
    (root / "z").symlink_to(outside)
    assert names(root) == ["a/1.jpg", "away/deep/2.jpg"]


def test_a_link_to_a_file_is_a_file_and_one_to_nowhere_is_met(tmp_path: Path) -> None:
    put(tmp_path / "1.jpg")
    (tmp_path / "2.jpg").symlink_to(tmp_path / "1.jpg")
    (tmp_path / "3.jpg").symlink_to(tmp_path / "missing")
    (tmp_path / "4").symlink_to(tmp_path / "missing")
    (found, *_, lost) = [entry for entry, _ in walk([os.fsencode(tmp_path)], Chosen(), Seen())]
    assert found.size == len(JPEG)
    assert lost == Entry(os.fsencode(tmp_path / "3.jpg"), None, None)


def test_pipes_and_sockets_are_no_pictures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    monkeypatch.chdir(tmp_path)  # a socket's path must be short
    with socket.socket(socket.AF_UNIX) as end:
        end.bind("s.jpg")
        assert names(tmp_path) == []


def test_names_that_are_no_unicode_are_kept(tmp_path: Path) -> None:
    name = b"caf\xe9 \x1b\n.jpg"
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name)).write_bytes(JPEG)
    ((entry, _),) = walk([os.fsencode(tmp_path)], Chosen(), Seen())
    assert entry.path == os.fsencode(tmp_path) + b"/" + name


def test_patterns_choose(tmp_path: Path) -> None:
    for name in ("a/1.jpg", "a/2.tif", "drafts/3.jpg", "b/drafts/4.jpg", "5.jpg"):
        put(tmp_path / name)
    assert names(tmp_path, include=("*.tif",)) == ["a/2.tif"]
    assert names(tmp_path, exclude=("drafts",)) == ["5.jpg", "a/1.jpg", "a/2.tif"]
    assert names(tmp_path, exclude=("drafts/*",)) == [
        "5.jpg",
        "a/1.jpg",
        "a/2.tif",
        "b/drafts/4.jpg",
    ]
    assert names(tmp_path, include=("?/*", "5*"), exclude=("2.*",)) == [
        "5.jpg",
        "a/1.jpg",
        "b/drafts/4.jpg",
    ]


def test_a_folder_that_cannot_be_read_is_on_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path / "a" / "1.jpg")
    put(tmp_path / "b" / "2.jpg")
    scan = os.scandir

    def scandir(path: bytes) -> object:
        if path.endswith(b"/a"):
            raise PermissionError(13, "Permission denied")  # tests may run as root, who may all
        return scan(path)

    monkeypatch.setattr(os, "scandir", scandir)
    seen = Seen()
    found = [entry.path for entry, _ in walk([os.fsencode(tmp_path)], Chosen(), seen)]
    assert found == [os.fsencode(tmp_path / "b" / "2.jpg")]
    assert seen.closed == [
        (os.fsencode(tmp_path / "a"), "The folder cannot be read: Permission denied.")
    ]


def test_what_is_no_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match=r"is no folder; give the folders"):
        resolve_root(str(tmp_path / "missing"))


def test_addresses_are_walked_alike() -> None:
    import fsspec

    files = fsspec.filesystem("memory")
    for name in ("b/2.jpg", "a/1.jpg", "a/.h/3.jpg", "a/n.txt", "drafts/4.jpg", "0.jpg"):
        files.pipe(f"/walked/{name}", JPEG)
    files.pipe("/walked/a/n.txt", b"text")
    try:
        seen = Seen()
        found = list(walk([b"memory://walked"], Chosen(exclude=("drafts",)), seen))
    finally:
        files.rm("/walked", recursive=True)
    assert [entry.path for entry, _ in found] == [
        b"memory:///walked/0.jpg",
        b"memory:///walked/a/1.jpg",
        b"memory:///walked/b/2.jpg",
    ]
    assert seen.others == 1
    assert all(entry.size == len(JPEG) and entry.mtime for entry, _ in found)


def test_an_address_that_nothing_opens_is_refused() -> None:
    with pytest.raises(ArchiveError, match="nosuchkind://x cannot be opened"):
        list(walk([b"nosuchkind://x"], Chosen(), Seen()))
