"""Places that will not have it: full, read-only, gone, changed meanwhile. A script, no test.

    python tests/studies/places.py [--only WORD] [--keep FILE]

Every command is run in a small world (an archive, a ledger with decisions, a folder for what
is made) in which one thing is wrong: no room on the disk or for one file, a folder or file that
may not be written or read, a working directory that is gone, a standard output that takes
nothing, a picture or ledger that vanishes, changes or is replaced by something else at each
moment at which it is opened, folders that go while a run walks, a ledger that another holds.
Wanted are an answer, or one sentence that names what is at fault and an exit code other than 0;
pictures as they were, every other file as it was or whole, and nothing hidden left over.

Mounts are made in a mount namespace of the process's own; without the right to that (root on
Linux) those places are left out, and said to be.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import contextlib
import ctypes
import faulthandler
import hashlib
import importlib
import json
import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree as ET

import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.archive.decisions import Wish, decide  # noqa: E402
from autocast.archive.ledger import BESIDE, Ledger  # noqa: E402
from autocast.archive.rate import refresh  # noqa: E402
from autocast.archive.rows import Entry  # noqa: E402
from autocast.archive.work import judged  # noqa: E402
from autocast.modelstore import default_models  # noqa: E402
from tests.studies import mutants  # noqa: E402

PATIENCE = 40.0
"""Seconds after which a command hangs."""
_CAPABILITIES = 0x20080522
"""Version 3 of capset(2)."""
_SECUREBITS, _NO_ROOT = 28, 1
"""PR_SET_SECUREBITS (prctl(2)) and SECBIT_NOROOT (capabilities(7))."""
_NEW_MOUNTS = 0x00020000
"""CLONE_NEWNS (unshare(2))."""


class World(NamedTuple):
    """Where a command runs."""

    base: Path

    @property
    def archive(self) -> Path:
        """The folder of pictures."""
        return self.base / "archive"

    @property
    def picture(self) -> Path:
        """The picture that single commands are given."""
        return self.archive / "box 0" / "mole 0.jpg"

    @property
    def ledger(self) -> Path:
        """A ledger of all pictures, in a folder of its own."""
        return self.base / "day" / "day.ledger"

    @property
    def out(self) -> Path:
        """Where things are made; a file of somebody else's lies in it."""
        return self.base / "out"


Act = Callable[[World], object]
ACTS: dict[str, Callable[[Path], object]] = {
    "removed": lambda path: path.unlink(),
    "cut": lambda path: os.truncate(path, path.stat().st_size // 2),
    "emptied": lambda path: os.truncate(path, 0),
    "replaced by a folder": lambda path: instead(path, path.mkdir),
    "replaced by a pipe": lambda path: instead(path, lambda: os.mkfifo(path)),
    "replaced by a link to nowhere": lambda path: instead(path, lambda: path.symlink_to("nowhere")),
    "replaced by noise": lambda path: put(path, bytes(range(256)) * 8),
    "replaced by another": lambda path: put(path, other_content(path)),
}
"""What may happen to a file between two looks at it."""


def instead(path: Path, make: Callable[[], object]) -> None:
    """Something else in the place of a file."""
    path.unlink()
    make()


def put(path: Path, content: bytes) -> None:
    """A new file in the place of another, as programs save."""
    beside = path.with_name("saved")
    beside.write_bytes(content)
    beside.replace(path)


def other_content(path: Path) -> bytes:
    """Another picture, or another ledger."""
    if path.suffix == ".ledger":
        return (path.parents[1] / "other.ledger").read_bytes()
    return (path.parents[1] / "box 1" / "mole 1.jpg").read_bytes()


def template(world: World) -> None:
    """A world in which all is well."""
    codes = np.asarray(mutants.scene().resize((288, 192)), np.int16)
    outcomes = []
    for k in range(12):
        path = world.archive / f"box {k % 3}" / f"mole {k}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        moved = np.clip(codes + np.array([6 * k - 30, 0, 20 - 4 * k]), 0, 255).astype(np.uint8)
        Image.fromarray(moved).save(path, quality=90)
        facts = path.stat()
        entry = Entry(os.fsencode(path), facts.st_size, facts.st_mtime_ns)
        outcomes.append(judged(entry, default_models()))
    world.ledger.parent.mkdir()
    world.out.mkdir()
    (world.out / "of another.txt").write_text("Keep me.")
    for ledger, some in ((world.ledger, outcomes), (world.base / "other.ledger", outcomes[:3])):
        with Ledger.write(ledger) as opened:
            opened.record(some)
            refresh(opened, default_models())
            for number in (1, 2, 3):
                for person in ("ada", "ben"):
                    decide(opened, Wish(number, "fine", person))
        for end in BESIDE:
            ledger.with_name(ledger.name + end).unlink(missing_ok=True)


def commands(world: World) -> dict[str, list[str]]:
    """Every command that reads or writes, by a name of its own."""
    picture, archive, ledger = (str(p) for p in (world.picture, world.archive, world.ledger))
    out = world.out
    pair = ["--pair", str(out / "pair.png"), "--clf", str(out / "move.clf")]
    return {
        "judge": ["judge", picture],
        "picture": ["judge", picture, "--picture", str(out / "evidence.png")],
        "measure": ["measure", picture],
        "correct": ["correct", picture, "--best-guess", "--to", str(out / "copy.jpg")],
        "pair": ["correct", picture, "--best-guess", "--to", str(out / "copy.jpg"), *pair],
        "presort anew": ["presort", archive, "--into", str(out / "new.ledger"), "--jobs", "1"],
        "presort again": ["presort", archive, "--into", ledger, "--jobs", "1", "--rejudge"],
        "list": ["list", ledger],
        "settings": ["list", ledger, "--settings"],
        "csv": ["export", ledger, "--to", str(out / "t.csv")],
        "json lines": ["export", ledger, "--to", str(out / "t.jsonl")],
        "parquet": ["export", ledger, "--to", str(out / "t.parquet")],
        "salvage": ["export", ledger, "--salvage", "--to", str(out / "s.jsonl")],
        "decisions": ["export", ledger, "--decisions", str(out / "d.csv")],
        "manifest": ["export", ledger, "--manifest", str(out / "mine")],
        "report": ["report", ledger, "--to", str(out / "report")],
        "sidecars": ["sidecars", ledger, "--subjects"],
        "review": ["review", ledger, "--no-open", "--person", "ada"],
    }


ALONE = ("judge", "picture", "measure", "correct", "pair")
"""Commands on one picture."""
PRESORT = ("presort anew", "presort again")
ON_LEDGER = tuple(n for n in commands(World(Path())) if n not in (*ALONE, *PRESORT))
INTO_OUT = (
    "picture", "correct", "pair", "presort anew", "csv", "json lines", "parquet", "salvage",
    "decisions", "manifest", "report",
)  # fmt: skip
"""Commands that make something in ``out``."""
OWN = {"presort again": "day/day.ledger", "review": "day/day.ledger"}
"""What a command may change that was there."""


@dataclass(frozen=True)
class Place:
    """One thing that is wrong, for some commands.

    ``spoil`` is done in the command's own process, before it begins. ``names``: one of these is
    named by a sentence; ``never``: none of these begins one. ``fails`` are commands that have to
    fail, ``works`` those that have to work. ``spoils`` are files that it changes itself.
    """

    name: str
    spoil: Act
    on: tuple[str, ...] = tuple(commands(World(Path())))
    names: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    fails: tuple[str, ...] = ()
    works: tuple[str, ...] = ()
    spoils: tuple[str, ...] = ()
    mounts: bool = False


# --- what is wrong -------------------------------------------------------------


def no_file_beyond(size: int) -> Act:
    """No file may grow beyond so many bytes, in this process and those it starts."""
    return lambda _: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def _own_mounts() -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(_NEW_MOUNTS):
        raise OSError(ctypes.get_errno(), "unshare")
    _mount("--make-rprivate", "/")


def _mount(*arguments: str) -> None:
    subprocess.run(["mount", *arguments], check=True)  # noqa: S607 -- the system's


def can_mount() -> bool:
    """Whether mounts of one's own may be made; found out in a process of its own."""
    child = os.fork()
    if child == 0:
        try:
            _own_mounts()
            os._exit(0)
        except BaseException:  # noqa: BLE001 -- whatever it is, it cannot
            os._exit(1)
    return os.waitpid(child, 0)[1] == 0


def full(folder: str, left: int) -> Act:
    """A folder on a disk of its own that has so many bytes left."""

    def spoil(world: World) -> None:
        _own_mounts()
        place, aside = world.base / folder, world.base / "aside"
        shutil.copytree(place, aside)
        _mount("-t", "tmpfs", "-o", "size=4M", "tmpfs", str(place))
        shutil.copytree(aside, place, dirs_exist_ok=True)
        shutil.rmtree(aside)
        filler = place / "filler"
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        os.truncate(filler, max(0, filler.stat().st_size - left))

    return spoil


def read_only(folder: str) -> Act:
    """A folder on a disk that is only read."""

    def spoil(world: World) -> None:
        _own_mounts()
        place = str(world.base / folder)
        _mount("--bind", place, place)
        _mount("-o", "remount,bind,ro", place)

    return spoil


def powerless(modes: Mapping[str, int]) -> Act:
    """Run without a superuser's powers, folders and files with such modes."""

    def spoil(world: World) -> None:
        for name, mode in modes.items():
            (world.base / name).chmod(mode)
        libc = ctypes.CDLL(None, use_errno=True)
        header, none = (ctypes.c_uint32 * 2)(_CAPABILITIES, 0), (ctypes.c_uint32 * 6)()
        if libc.prctl(_SECUREBITS, _NO_ROOT, 0, 0, 0) or libc.capset(header, none):
            raise OSError(ctypes.get_errno(), "capset")

    return spoil


def nowhere(world: World) -> None:
    """Started in a folder that is gone, and given names that begin in it."""
    gone = world.base / "gone"
    gone.mkdir()
    os.chdir(gone)
    gone.rmdir()
    names = [each.replace(str(world.base), "..") for each in sys.argv]
    sys.argv[:] = names


def stream(number: int, path: str | None) -> Act:
    """A standard stream that leads elsewhere, or is closed."""

    def spoil(_: World) -> None:
        if path is None:
            os.close(number)
            setattr(sys, {1: "stdout", 2: "stderr"}[number], None)  # as Python begins then
        else:
            os.dup2(os.open(path, os.O_WRONLY), number)

    return spoil


def at_event(event: str, where: str, nth: int, act: Act) -> Act:
    """Do something just before the nth time that Python does something with a path."""

    def spoil(world: World) -> None:
        met = 0
        path = os.fsencode(world.base / where)

        def hook(name: str, arguments: tuple[object, ...]) -> None:
            nonlocal met
            if name != event or not any(_names(each, path) for each in arguments):
                return
            met += 1
            if met == nth:
                act(world)

        sys.addaudithook(hook)

    return spoil


def _names(given: object, path: bytes) -> bool:
    if not isinstance(given, str | bytes | os.PathLike):
        return False
    text = os.fsencode(given)
    return text == path or (text.startswith(b"file:") and path.rpartition(b"/")[2] in text)


def to(where: str, how: str) -> Act:
    """One of ACTS, to a file of the world."""
    return lambda world: ACTS[how](world.base / where)


def held(seconds: float) -> Act:
    """The ledger is held by another program for so long."""

    def act(world: World) -> None:
        ready = threading.Event()

        def hold() -> None:
            with contextlib.closing(sqlite3.connect(world.ledger, isolation_level=None)) as other:
                other.execute("BEGIN EXCLUSIVE")
                ready.set()
                time.sleep(seconds)
                other.execute("ROLLBACK")

        threading.Thread(target=hold, daemon=True).start()
        ready.wait(PATIENCE)

    return act


def all_removed(folder: str) -> Act:
    """A folder goes with all that it holds."""
    return lambda world: shutil.rmtree(world.base / folder)


def at_every(event: str, act: Act) -> Act:
    """Do something just before the first time that Python does something, whatever the path."""

    def spoil(world: World) -> None:
        done = False

        def hook(name: str, _: tuple[object, ...]) -> None:
            nonlocal done
            if name == event and not done:
                done = True
                act(world)

        sys.addaudithook(hook)

    return spoil


PICTURE, LEDGER = "archive/box 0/mole 0.jpg", "day/day.ledger"
MADE = ("out/", "out", "day.ledger", "new.ledger", ".xmp")
"""What a sentence on a place to write in may name."""


def places() -> Iterator[Place]:
    """Everything that may be wrong."""
    yield from without_room()
    yield from without_right()
    yield from changing_files()
    yield from changing_folders()


def without_room() -> Iterator[Place]:
    """Full disks, files that may not grow, and disks that are only read."""
    never = ("mole",)
    every = tuple(commands(World(Path())))
    for size in (0, 200, 3000, 20_000, 60_000):
        yield Place(f"no file beyond {size} bytes", no_file_beyond(size), names=MADE, never=never)
    for left in (0, 4096, 16_384, 65_536):
        for folder, on in (("out", INTO_OUT), ("day", OWN), ("archive", ("sidecars",))):
            fails = tuple(n for n in on if left == 0 and n != "manifest")
            words = f"{left} bytes left in {folder}"
            yield Place(words, full(folder, left), names=MADE, never=never,
                        on=(*on, "list"), fails=fails, works=("list",), mounts=True)  # fmt: skip
    for folder, on in (("out", INTO_OUT), ("day", OWN), ("archive", ("sidecars",))):
        works = tuple(n for n in every if n not in on)
        yield Place(f"{folder} is read-only", read_only(folder), names=MADE, never=never,
                    fails=tuple(on), works=works, mounts=True)  # fmt: skip


def without_right() -> Iterator[Place]:
    """Users who may not, a working directory that is gone, streams that take nothing."""
    never = ("mole",)
    reading = tuple(n for n in ON_LEDGER if n not in INTO_OUT and n not in OWN and n != "sidecars")
    write = {"out": 0o555, "day": 0o555, "archive/box 0": 0o555}
    yield Place("folders may not be written", powerless(write), names=MADE, never=never,
                mounts=True, fails=INTO_OUT, works=(*reading, "judge", "measure"))  # fmt: skip
    yield Place("files may not be written", powerless({LEDGER: 0o444}), names=("day.ledger",),
                mounts=True, on=ON_LEDGER, fails=tuple(OWN), works=reading)  # fmt: skip
    yield Place("picture may not be read", powerless({PICTURE: 0}), names=("mole 0",),
                mounts=True, on=(*ALONE, *PRESORT, "report", "sidecars"), fails=ALONE,
                works=PRESORT)  # fmt: skip
    yield Place("archive may not be read", powerless({"archive": 0}), names=("mole", *MADE),
                mounts=True, on=(*ALONE, *ON_LEDGER), fails=ALONE)  # fmt: skip
    yield Place("a folder may not be read", powerless({"archive/box 0": 0}),
                names=("mole", *MADE), mounts=True, on=(*ALONE, *PRESORT, *ON_LEDGER),
                fails=ALONE, works=PRESORT)  # fmt: skip
    for words, closed in (("ledger", LEDGER), ("its folder", "day")):
        yield Place(f"{words} may not be read", powerless({closed: 0}), names=("day.ledger",),
                    mounts=True, on=(*ON_LEDGER, "presort again"),
                    fails=(*ON_LEDGER, "presort again"))  # fmt: skip
    yield Place("the working directory is gone", nowhere, names=("",))
    for words, act in (("full", stream(1, "/dev/full")), ("closed", stream(1, None))):
        yield Place(f"standard output is {words}", act, names=("",))
    yield Place("standard error is full", stream(2, "/dev/full"), names=("",))
    yield Place("standard error is closed", stream(2, None), names=("",))


def changing_files() -> Iterator[Place]:
    """Pictures and ledgers to which something happens meanwhile."""
    for how in ACTS:
        for nth in range(1, 6):
            yield Place(f"picture {how} at look {nth}",
                        at_event("open", PICTURE, nth, to(PICTURE, how)), on=ALONE,
                        names=("mole 0", "out/"), spoils=(PICTURE,))  # fmt: skip
        for nth in (1, 2, 3) if how != "replaced by a pipe" else ():  # SQLite would wait at it
            yield Place(f"ledger {how} at look {nth}",
                        at_event("sqlite3.connect", LEDGER, nth, to(LEDGER, how)),
                        on=(*ON_LEDGER, "presort again"), names=("day.ledger", "number"),
                        spoils=(LEDGER,))  # fmt: skip
        yield Place(f"a picture {how} before", to(PICTURE, how), names=("mole 0",),
                    on=("sidecars", "report", *PRESORT), works=("report", *PRESORT),
                    spoils=(PICTURE,))  # fmt: skip
        yield Place(f"a picture {how} while a run walks",
                    at_event("os.scandir", "archive/box 2", 1, to(PICTURE, how)), on=PRESORT,
                    works=PRESORT, spoils=(PICTURE,))  # fmt: skip
        yield Place(f"ledger {how} while a run walks",
                    at_event("os.scandir", "archive/box 2", 1, to(LEDGER, how)),
                    on=("presort again",), names=("day.ledger",), fails=("presort again",),
                    spoils=(LEDGER,))  # fmt: skip


def changing_folders() -> Iterator[Place]:
    """Folders that go, and a ledger that another holds."""
    for folder in ("archive", "archive/box 0", "archive/box 2"):
        gone = tuple(f"archive/box {k % 3}/mole {k}.jpg" for k in range(12)
                     if folder == "archive" or f"{k % 3}" == folder[-1])  # fmt: skip
        yield Place(f"{folder} goes before", all_removed(folder), names=("mole", "archive"),
                    spoils=gone)  # fmt: skip
        yield Place(f"{folder} goes while a run walks",
                    at_event("os.scandir", "archive/box 2", 1, all_removed(folder)), on=PRESORT,
                    works=PRESORT, spoils=gone)  # fmt: skip
    others = ("out/of another.txt",)
    for event in ("os.link", "os.rename"):
        yield Place(f"out goes at the first {event}", at_every(event, all_removed("out")),
                    on=INTO_OUT, names=MADE, spoils=others)  # fmt: skip
    yield Place("day goes while a run walks",
                at_event("os.scandir", "archive/box 2", 1, all_removed("day")),
                on=("presort again",), names=("day.ledger",), fails=("presort again",),
                spoils=(LEDGER,))  # fmt: skip
    waiting = (*(name for name in ON_LEDGER if name != "review"), "presort again")
    yield Place("the ledger is held for two seconds", held(2), on=waiting, works=waiting)
    yield Place("the ledger is held for longer", held(30), on=("list", "csv", "presort again"),
                names=("day.ledger",), fails=("list", "csv", "presort again"))  # fmt: skip


# --- running, and looking ------------------------------------------------------


class Ended(NamedTuple):
    """How a command ended, and what it said on standard error."""

    code: int
    said: str


def run(world: World, place: Place, name: str) -> Ended:
    """Run a command in a process of its own, which begins with all loaded."""
    reading, writing = os.pipe()  # no file: that might not grow
    child = os.fork()
    if child == 0:
        _as_command(world, place, name, writing)
    os.close(writing)
    said: list[bytes] = []
    listening = threading.Thread(target=_listen, args=(reading, said))
    listening.start()
    deadline = time.monotonic() + PATIENCE
    asked = ended = False
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            break
        if name == "review" and not ended and any(b"Ctrl-C" in line for line in said):
            os.kill(child, signal.SIGTERM)
            ended = True
        if not asked and time.monotonic() > deadline:
            os.killpg(child, signal.SIGABRT)  # each says where it stands
            asked = True
        time.sleep(0.01)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    listening.join()
    text = b"".join(said).decode(errors="replace")
    return Ended(-1 if asked else os.waitstatus_to_exitcode(status), text)


def _listen(handle: int, said: list[bytes]) -> None:
    with open(handle, "rb") as file:
        for line in file:
            said.append(line)  # noqa: PERF402 -- seen by the other thread at once


def _as_command(world: World, place: Place, name: str, said: int) -> None:
    """Be the command; never returns."""
    code = 70
    try:
        os.setsid()
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os.dup2(said, 2)
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 -- to the end
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 -- to the end
        faulthandler.enable(said)
        sys.argv = ["autocast", *commands(world)[name]]
        place.spoil(world)
        from autocast.__main__ import main

        main()
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
    except BaseException:  # noqa: BLE001 -- whatever comes is what is looked for
        import traceback

        with contextlib.suppress(OSError):
            os.write(said, traceback.format_exc().encode())
    finally:
        with contextlib.suppress(Exception):
            sys.stdout.flush()
        os._exit(code)


def contents(world: World) -> dict[str, str]:
    """SHA-256 of every file of a world, by its path in it."""
    return {
        str(p.relative_to(world.base)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(world.base.rglob("*"))
        if p.is_file()
    }


def half(path: Path) -> str:
    """What is half of a file; '' where it is whole."""
    data = path.read_bytes()
    try:
        if path.suffix in (".jpg", ".png"):
            with Image.open(path) as image:
                image.load()
        elif path.suffix in (".xmp", ".clf"):
            ET.fromstring(data)  # noqa: S314 -- our own
        elif path.suffix == ".jsonl":
            [json.loads(line) for line in data.splitlines()]
            return "" if data.endswith(b"\n") or not data else "its last line"
        elif path.suffix == ".csv":
            return "" if data.endswith(b"\n") else "its last line"
        elif path.suffix == ".html":
            return "" if data.rstrip().endswith((b"</html>", b">")) else "its end"
        elif path.suffix == ".parquet":
            return "" if data[-4:] == b"PAR1" else "its end"
    except (OSError, ValueError, ET.ParseError, SyntaxError) as error:
        return str(error)
    return ""


def _ledger_is_sound(path: Path) -> bool:
    try:
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as plain:
            return bool(plain.execute("PRAGMA integrity_check").fetchone() == ("ok",))
    except sqlite3.Error:
        return False


@dataclass
class Found:
    """What was found."""

    keep: Path | None = None
    counts: Counter[str] = field(default_factory=Counter)
    situations: int = 0

    def defect(self, kind: str, where: str, detail: str = "") -> None:
        """One more of a kind."""
        self.counts[kind] += 1
        text = f"{kind}: {where}\n    {detail.strip()[-1500:]}"
        print(text, flush=True)
        if self.keep is not None:
            with self.keep.open("a", encoding="utf-8") as file:
                file.write(f"{text}\n")

    def take(self, place: Place, name: str, ended: Ended) -> None:
        """Judge how a command ended."""
        where = f"{place.name}, {name}"
        self.situations += 1
        if ended.code == -1:
            self.defect("hung", where, ended.said)
        elif "Traceback" in ended.said:
            self.defect("traceback", where, ended.said)
        elif ended.code not in (0, 1, 3, 4):
            self.defect(f"exit code {ended.code}", where, ended.said)
        elif ended.code == 1 and not place.name.startswith("standard error"):
            self._sentence(place, name, ended)
        if (name in place.fails and ended.code in (0, 3, 4)) or (
            name in place.works and ended.code not in (0, 3, 4)
        ):
            self.defect(f"ended with {ended.code}", where, ended.said)
        self.counts[f"ended with {ended.code}: fine"] += 1

    def _sentence(self, place: Place, name: str, ended: Ended) -> None:
        where = f"{place.name}, {name}"
        own = [line for line in ended.said.splitlines() if line.startswith("autocast: ")]
        if len(own) != 1 and name != "sidecars":
            self.defect("not one sentence", where, ended.said)
        for line in own:
            if not any(each in line for each in place.names):
                self.defect("does not name what is at fault", where, line)
            subject = Path(line.removeprefix("autocast: ").partition(".jpg")[0]).name
            if ".jpg" in line and subject.startswith(place.never or ("\0",)) and ".xmp" not in line:
                self.defect("lays it to the picture", where, line)

    def look(self, world: World, place: Place, name: str, before: dict[str, str]) -> None:
        """Judge what a command left."""
        where = f"{place.name}, {name}"
        after = contents(world)
        may = {OWN.get(name), *place.spoils}
        for path, content in before.items():
            if path not in may and after.get(path) != content:
                self.defect("lost or changed", where, path)
        for path in after.keys() - before.keys():
            if Path(path).name.startswith(".") or Path(path).suffix == ".new":
                self.defect("left over", where, path)
            elif broken := half(world.base / path):
                self.defect("half file", where, f"{path}: {broken}")
        if name in OWN and not place.spoils and not _ledger_is_sound(world.ledger):
            self.defect("broken ledger", where)


def campaign(found: Found, base: Path, only: str = "", *, mounts: bool) -> None:
    """Every command in every place that is meant for it."""
    sound, world = World(base / "sound"), World(base / "world")
    world.base.mkdir()
    base.chmod(0o755)
    template(world)
    world.base.rename(sound.base)
    before = contents(sound)
    for place in places():
        if place.mounts and not mounts:
            continue
        for name in place.on:
            if only not in f"{place.name}, {name}":
                continue
            shutil.copytree(sound.base, world.base)
            found.take(place, name, run(world, place, name))
            found.look(world, place, name, before)
            shutil.rmtree(world.base)


def warm() -> None:
    """Load what commands load, once, so that each begins with it."""
    for name in (
        "lxml.etree", "matplotlib.backends.backend_agg", "pyarrow.parquet", "uvicorn",
        "autocast.cli", "autocast.report.pages", "autocast.review.server",
    ):  # fmt: skip
        importlib.import_module(name)
    default_models()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--only", default="")
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    started = time.monotonic()
    mounts = can_mount()
    if not mounts:
        print("Mounts of one's own are not allowed here: full and read-only disks are left out.")
    if not given.only:
        warm()
    found = Found(given.keep)
    with tempfile.TemporaryDirectory() as folder:
        campaign(found, Path(folder), given.only, mounts=mounts)
    print(f"{found.situations} situations in {time.monotonic() - started:.0f} s")
    for what, number in sorted(found.counts.items()):
        print(f"{number:>8}  {what}")
    if any(not what.endswith("fine") for what in found.counts):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
