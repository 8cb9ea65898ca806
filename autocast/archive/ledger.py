"""The ledger: one SQLite file that holds what was said of every picture.

    with Ledger.read("archive.ledger") as ledger:
        for page in ledger.pages(Wanted(verdicts=("cast",)), size=500):
            for row in page: ...

One process writes, any number read. Where the file system can, changes go
through SQLite's write-ahead log, so that reading never waits; a finished run
folds the log back, and the ledger is one plain file. Every failure is a
LedgerError of one sentence that names the file.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import math
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple, Self

from autocast.archive.rows import (
    EVERYTHING,
    Counts,
    Entry,
    InSeries,
    Known,
    Outcome,
    Row,
    Wanted,
    clean,
    fault,
    fault_of_columns,
)
from autocast.archive.schema import APPLICATION_ID, MIGRATIONS, SUPPOSED
from autocast.archive.walk import SUFFIXES
from autocast.errors import JudgementError, LedgerError
from autocast.judgement import (
    SLIGHT_FROM,
    VERDICT_WORDS,
    Judgement,
    Verdict,
    hue_name,
    strength_word,
)

PAGE = 500
"""Rows read at a time unless another number is asked for (project convention)."""
_LEAST_ROW = 32
"""Bytes that a picture's row takes at least: its path, verdict and time (project convention)."""
_WAIT = 10.0
"""Seconds to wait for another program that holds the ledger (project convention)."""

BESIDE = ("-wal", "-shm", "-journal", ".lock")
"""What the names of the files that SQLite and the writer's lock keep beside a ledger end in."""

_LARGEST_LOCK = 1024
"""Bytes of a lock at most, which holds nothing or who took it (project convention)."""

# File systems of other machines, by the names Linux gives them: SQLite's documentation says that
# the write-ahead log does not work over a network.
_REMOTE = ("nfs", "cifs", "smb", "9p", "afs", "ceph", "fuse.sshfs", "fuse.rclone", "glusterfs")


class Single(NamedTuple):
    """What a series needs of one picture; casts at L* 60."""

    id: int
    path: bytes
    folder: bytes
    camera: str
    taken: str
    width: int
    height: int
    probability: float
    base_rate: float
    a: float
    b: float
    var_a: float
    cov_ab: float
    var_b: float
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SeriesRow:
    """One row of the table ``series``; see the schema."""

    folder: bytes
    camera: str
    first: int
    last: int
    count: int
    sharing: int
    a: float
    b: float
    spread: float
    apart: float
    probability: float
    finding: bool
    lead: int


_PICTURES_FIRST = """
    CASE verdict WHEN 'cast' THEN 1 WHEN 'ask' THEN 2 WHEN 'clear' THEN 3 ELSE 4 END,
    -archive_probability, -size_of_cast, path
"""
"""Likely casts first, then what asks, then the clear; of each the likeliest to be a cast first,
and of those as likely the stronger."""
_SERIES_FIRST = f"""
    CASE WHEN finding = 1 AND NOT odd
         THEN -sqrt_of(shared_a * shared_a + shared_b * shared_b) * series_probability
         ELSE 0 END,
    {_PICTURES_FIRST}
"""
"""The same, after the series with one fault: one look for many pictures."""


def now() -> str:
    """The present moment, UTC, ISO 8601, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Ledger:
    """An open ledger; a context manager. ``log_said`` tells why there is no write-ahead log."""

    def __init__(self, path: Path, connection: sqlite3.Connection, log_said: str | None) -> None:
        self.path = path
        self.log_said = log_said
        self._file = _identity(path)
        self._db = connection
        self._lock: Any = None

    # Opening and closing

    @classmethod
    def read(cls, path: str | os.PathLike[str], *, salvage: bool = False) -> Self:
        """Open a ledger to read it; nothing is written, not even beside it where that can be.

        With ``salvage`` also one whose end or tables are damaged, for :meth:`salvaged`.
        """
        target = Path(path)
        _must_be(target)
        with _explained(target), contextlib.ExitStack() as undo:
            connection = _connect(target, "mode=ro", salvage=salvage)
            undo.callback(connection.close)
            if salvage and _holds_pictures(connection):
                pass  # whatever its marks say by now
            elif _version(connection, target) < len(MIGRATIONS):
                raise LedgerError(
                    f"{target} was written by an earlier version of autocast; run autocast presort "
                    "into it once to bring it up to date."
                )
            undo.pop_all()
            return cls(target, connection, None)

    @classmethod
    def write(cls, path: str | os.PathLike[str]) -> Self:
        """Open or make a ledger to write into it; only one process can at a time."""
        target = Path(path)
        if not target.parent.is_dir():
            raise LedgerError(f"{target.parent} does not exist; make the folder first.")
        if target.exists() and not target.is_file():
            raise LedgerError(f"{target} is no file; name the ledger to write.")
        if os.fsencode(target).lower().endswith(SUFFIXES) and not _holds_anything(target):
            # SQLite takes an empty file for an empty ledger: that is what a kill may leave of one.
            raise LedgerError(
                f"{target} is named like a picture; name the ledger to write, such as "
                f"{target.with_suffix('.ledger')}."
            )
        with _explained(target), contextlib.closing(_connect(target, "mode=rwc")) as probe:
            _version(probe, target, fresh=True)  # leave nothing beside a file that is no ledger
        with _explained(target), contextlib.ExitStack() as undo:
            lock = _locked(target)
            undo.callback(lock.release)
            connection = _connect(target, "mode=rwc")
            undo.callback(connection.close)
            ledger = cls(target, connection, _prepared(target, connection))
            ledger._lock = lock
            undo.pop_all()
            return ledger

    @classmethod
    def share(cls, path: str | os.PathLike[str]) -> Self:
        """Open a ledger for short changes, which may go on while a run writes into it.

        What is kept so has reached the disk. A ledger of an earlier version is brought up to
        date, for which no run may be writing.
        """
        target = Path(path)
        _must_be(target)
        with _explained(target), contextlib.closing(_connect(target, "mode=ro")) as probe:
            earlier = _version(probe, target) < len(MIGRATIONS)
        if earlier:
            cls.write(target).close()
        with _explained(target), contextlib.ExitStack() as undo:
            connection = _connect(target, "mode=rw")
            undo.callback(connection.close)
            connection.execute("PRAGMA synchronous = FULL")
            undo.pop_all()
            return cls(target, connection, None)

    def close(self) -> None:
        """Fold the log back, close, and let another process write."""
        try:
            if self._lock is not None:
                # A reader may be at it, or the disk full: the log then stays, and nothing is lost.
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("PRAGMA journal_mode = DELETE")
            self._db.close()
        finally:
            if self._lock is not None:
                self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Writing

    @contextlib.contextmanager
    def changes(self) -> Iterator[None]:
        """Everything within is kept, or nothing."""
        with _explained(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):  # SQLite may have rolled back by itself
                    self._db.execute("ROLLBACK")
                raise
        # SQLite goes on writing into a file that has no name any more.
        if self._file is None or _identity(self.path) != self._file:
            raise LedgerError(
                f"{self.path} was taken away or replaced while it was written; put it back, or run "
                "again."
            )

    def record(self, outcomes: Iterable[Outcome]) -> list[Verdict | None]:
        """Keep what was said of pictures, in the place of what was said before; the verdicts."""
        with self.changes():
            return [self._record(outcome) for outcome in outcomes]

    def _record(self, outcome: Outcome) -> Verdict | None:
        columns = _columns(outcome)
        names = ", ".join(columns)
        updates = ", ".join(f"{name} = excluded.{name}" for name in columns if name != "path")
        (key,) = self._db.execute(
            f"INSERT INTO pictures ({names}) VALUES ({', '.join('?' * len(columns))}) "  # noqa: S608
            f"ON CONFLICT (path) DO UPDATE SET {updates} RETURNING id",
            tuple(columns.values()),
        ).fetchone()
        if outcome.judgement is None:
            self._db.execute("DELETE FROM judgements WHERE picture = ?", (key,))
        else:
            self._db.execute(
                "INSERT OR REPLACE INTO judgements (picture, json, regions) VALUES (?, ?, ?)",
                (key, outcome.judgement, outcome.regions),
            )
        verdict: Verdict | None = columns["verdict"]
        return verdict

    def mark(self, pictures: Iterable[int], *, gone: bool) -> None:
        """Note that pictures are gone, or back."""
        with self.changes():
            self._db.executemany(
                "UPDATE pictures SET gone = ? WHERE id = ?", ((int(gone), key) for key in pictures)
            )

    def set_closed_folders(self, closed: Iterable[tuple[bytes, str]]) -> None:
        """Keep which folders could not be read on the last walk, each with why."""
        with self.changes():
            self._db.execute("DELETE FROM closed_folders")
            self._db.executemany(
                "INSERT OR REPLACE INTO closed_folders VALUES (?, ?, ?)",
                ((path, failure, now()) for path, failure in closed),
            )

    def set_fact(self, key: str, value: str | float | None) -> None:
        """Keep one fact about the whole archive; None forgets it."""
        with _explained(self.path):
            if value is None:
                self._db.execute("DELETE FROM facts WHERE key = ?", (key,))
            else:
                self._db.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (key, value))

    @contextlib.contextmanager
    def series_anew(self) -> Iterator[Callable[[SeriesRow, Iterable[Sequence[object]]], None]]:
        """Forget all series; gives a function that keeps one. All are kept, or none.

        It takes the series and (picture, a, b, spread, share, odd) for each of its members.
        """
        names = [field.name for field in dataclasses.fields(SeriesRow)]

        def keep(series: SeriesRow, members: Iterable[Sequence[object]]) -> None:
            done = self._db.execute(
                f"INSERT INTO series ({', '.join(names)}) "  # noqa: S608
                f"VALUES ({', '.join('?' * len(names))})",
                dataclasses.astuple(series),
            )
            self._db.executemany(
                "INSERT INTO members (picture, a, b, spread, share, odd, series) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                ((*member, done.lastrowid) for member in members),
            )

        with self.changes():
            self._db.execute("DELETE FROM members")
            self._db.execute("DELETE FROM series")
            yield keep

    # Reading

    def known(self, path: bytes) -> Known | None:
        """What the ledger holds of a path, as far as that tells whether to judge it again."""
        row = self._one(
            "SELECT id, size, mtime, failure IS NOT NULL, gone, needs FROM pictures WHERE path = ?",
            (path,),
        )
        if row is None:
            return None
        return Known(row[0], Entry(path, row[1], row[2]), bool(row[3]), bool(row[4]), row[5])

    def below(self, folder: bytes) -> Iterator[tuple[int, bytes]]:
        """Number and path of every picture in a folder and below it that is not gone."""
        where, values = _where(Wanted(folder=folder))
        with _explained(self.path):
            yield from self._db.execute(f"SELECT id, path FROM pictures {where}", values)  # noqa: S608

    def fact(self, key: str) -> Any:  # noqa: ANN401 -- text or number, as it was kept
        """A fact about the whole archive, or None."""
        row = self._one("SELECT value FROM facts WHERE key = ?", (key,))
        return None if row is None else row[0]

    def number(self, key: str) -> float | None:
        """A fact that is a number, or None. Raises LedgerError where it is anything else."""
        value = self.fact(key)
        if value is not None and not (isinstance(value, int | float) and math.isfinite(value)):
            raise damaged(self.path, f"the fact {key!r}")
        return value

    def models(self) -> dict[str, int]:
        """How many pictures each model judged."""
        return dict(
            self.select("SELECT model, count(*) FROM pictures WHERE model NOT NULL GROUP BY 1")
        )

    def counts(self, wanted: Wanted = EVERYTHING) -> Counts:
        """How many rows of each kind there are among those wanted."""
        where, values = _where(wanted)
        found = dict(
            self.select(
                f"SELECT coalesce(verdict, 'failed'), count(*) FROM overview {where} GROUP BY 1",  # noqa: S608
                values,
            )
        )
        gone = self._one("SELECT count(*) FROM pictures WHERE gone")
        closed = self._one("SELECT count(*) FROM closed_folders")
        if not {*found} <= {*VERDICT_WORDS, "failed"}:
            raise damaged(self.path, "a verdict")
        return Counts(**found, gone=gone[0], closed_folders=closed[0])

    def assumed_rate(self) -> float | None:
        """The base rate of the judgements, averaged; None where there are none."""
        rate: float | None = self._one("SELECT avg(base_rate) FROM pictures WHERE NOT gone")[0]
        return rate

    def rate_of_casts(self) -> float | None:
        """The share of casts at which chances in this archive are given; None before it is known.

        By the archive's scores, or as a person assumed it.
        """
        if self._one("SELECT 1 FROM sqlite_temp_master WHERE name = 'supposed_rate'"):
            supposed: float | None = self._one("SELECT value FROM temp.supposed_rate")[0]
            if supposed is not None:
                return supposed
        return self.number("archive_rate")

    def probabilities(self) -> Iterator[tuple[float, float]]:
        """Probability and base rate of every judged picture that is not gone."""
        with _explained(self.path):
            for row in self._db.execute(
                "SELECT id, probability, base_rate FROM pictures "
                "WHERE probability NOT NULL AND NOT gone ORDER BY path"
            ):
                _, probability, base_rate = self.checked(row).values()
                yield probability, base_rate

    def singles(self) -> Iterator[Single]:
        """Every judged picture that is not gone, by folder, camera, time and path."""
        names = ", ".join(Single._fields)
        with _explained(self.path):
            for row in self._db.execute(
                f"SELECT {names} FROM pictures WHERE verdict NOT NULL AND NOT gone "  # noqa: S608
                "ORDER BY folder, camera, taken, path"
            ):
                found = self.checked(row)
                if found["cov_ab"] ** 2 > found["var_a"] * found["var_b"]:
                    raise damaged(self.path, f"the spread of picture number {found['id']}")
                yield Single(**{**found, "remarks": tuple(found["remarks"].split())})

    def pages(
        self,
        wanted: Wanted = EVERYTHING,
        *,
        size: int = PAGE,
        by: str = "first look",
        documents: bool = False,
    ) -> Iterator[list[Row]]:
        """The rows wanted, ``size`` at a time, one page in memory.

        ``by`` is ``first look`` (what a person should see first) or ``path``.
        ``documents`` gives the judgements' JSON as well. A page shows one moment:
        what is written while pages are read is not in them.
        """
        query, values = self._query(wanted, by=by, documents=documents)
        with _explained(self.path):
            cursor = self._db.execute(query, values)
            while page := cursor.fetchmany(size):
                yield [self._row(each) for each in page]

    def page(
        self,
        number: int,
        wanted: Wanted = EVERYTHING,
        *,
        size: int = PAGE,
        by: str = "first look",
        documents: bool = False,
    ) -> list[Row]:
        """One page, numbered from 0; empty beyond the last."""
        query, values = self._query(wanted, by=by, documents=documents)
        rows = self.select(f"{query} LIMIT ? OFFSET ?", (*values, size, size * number))
        return [self._row(each) for each in rows]

    def row(self, picture: int) -> Row:
        """One picture, with its judgement's JSON. Raises LedgerError where there is none."""
        found = self._one(f"{_select(documents=True)} WHERE id = ?", (picture,))
        if found is None:
            raise LedgerError(f"{self.path} holds no picture number {picture}.")
        return self._row(found)

    def salvaged(self, *, documents: bool = False) -> Iterator[Row | None]:
        """Picture by picture by its number, None for each that cannot be read.

        For a damaged ledger: what is sound does not wait for what is not. Where what joins
        pictures is damaged, a picture is given without its series and chance in this archive.
        Where the end is lost, one None stands for all that may have come after the last.
        """
        known = 0
        for query in ("SELECT max(id) FROM pictures", "SELECT max(picture) FROM judgements"):
            with contextlib.suppress(LedgerError):
                known = max(known, self._one(query)[0] or 0)
        # A rotted number may be any; no file holds more rows than these.
        largest = self.path.stat().st_size // _LEAST_ROW
        queries = [
            f"{_select(documents=documents, alone=alone)} WHERE o.id = ?" for alone in (False, True)
        ]
        missed = 0
        for picture in range(1, min(known or largest, largest) + 1):
            for query in queries:
                try:
                    found = self._one(query, (picture,))
                    row = None if found is None else self._row(found)
                except LedgerError:
                    continue
                if row is not None:
                    yield from [None] * missed
                    yield row
                    missed = 0
                break
            else:
                missed += 1
        yield from [None] * (missed if known else min(missed, 1))

    def _row(self, found: sqlite3.Row) -> Row:
        row = _row(found)
        wrong = fault(row)
        if wrong:
            raise damaged(self.path, f"the {wrong} of picture number {found['id']!r}")
        return row

    def checked(self, found: sqlite3.Row) -> dict[str, Any]:
        """Columns of a picture that was judged. Raises LedgerError where one is damaged."""
        columns = dict(found)
        wrong = fault_of_columns(columns)
        if wrong:
            raise damaged(self.path, f"the {wrong} of picture number {columns.get('id')!r}")
        return columns

    def judgement(self, picture: int) -> Judgement | None:
        """The judgement of a picture, None where it failed."""
        return judgement_of(self.row(picture))

    def _query(
        self, wanted: Wanted, *, by: str, documents: bool
    ) -> tuple[str, tuple[str | bytes, ...]]:
        where, values = _where(wanted)
        first = _SERIES_FIRST if wanted.findings else _PICTURES_FIRST
        order = {"first look": first, "path": "path"}[by]
        return f"{_select(documents=documents)} {where} ORDER BY {order}", values

    def suppose(self, verdicts: Mapping[int, str], rate: float | None) -> None:
        """Read on as if these pictures had these verdicts, and the archive this rate of casts.

        The file is not touched.
        """
        with _explained(self.path):
            self._db.executescript(SUPPOSED)
            self._db.executemany("INSERT INTO temp.supposed VALUES (?, ?)", verdicts.items())
            self._db.execute("INSERT INTO temp.supposed_rate VALUES (?)", (rate,))

    def run(self, change: str, values: Sequence[object] = ()) -> sqlite3.Cursor:
        """One change in SQL, for those who keep a table of their own here."""
        with _explained(self.path):
            return self._db.execute(change, values)

    def select(self, query: str, values: Sequence[object] = ()) -> list[Any]:
        """All that a question in SQL finds."""
        with _explained(self.path):
            return self._db.execute(query, values).fetchall()

    def _one(self, query: str, values: Sequence[object] = ()) -> Any:  # noqa: ANN401 -- SQL's own types
        with _explained(self.path):
            return self._db.execute(query, values).fetchone()


def damaged(path: Path, what: str) -> LedgerError:
    """A ledger that SQLite reads and that says what no ledger can."""
    return LedgerError(
        f"{path} is damaged ({what} is not as it was written); restore a copy of it, or judge "
        "again with autocast presort --rejudge."
    )


def judgement_of(row: Row) -> Judgement | None:
    """The judgement of a row that was read with its document; None where it failed.

    Raises LedgerError where the document is damaged.
    """
    if row.document is None:
        return None
    try:
        return Judgement.from_json(row.document)
    except JudgementError as error:
        raise LedgerError(
            f"The ledger's judgement of {row.name} cannot be read ({str(error).rstrip('.')}); "
            "judge it again with autocast presort --rejudge."
        ) from error


def _holds_anything(path: Path) -> bool:
    return path.exists() and path.stat().st_size > 0


def _must_be(path: Path) -> None:
    if not path.exists():
        raise LedgerError(
            f"{path} does not exist; name a ledger, or make one with autocast presort."
        )
    if not path.is_file():
        raise LedgerError(f"{path} is no ledger; make one with autocast presort.")


def _identity(path: Path) -> tuple[int, int] | None:
    """What a file is to the file system, whatever its name; None where there is none."""
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_dev, facts.st_ino


def _holds_pictures(connection: sqlite3.Connection) -> bool:
    try:
        connection.execute("SELECT own_verdict FROM pictures LIMIT 0")
    except sqlite3.Error:
        return False
    return True


def _connect(path: Path, mode: str, *, salvage: bool = False) -> sqlite3.Connection:
    address = f"{path.absolute().as_uri()}?{mode}"
    connection = sqlite3.connect(address, uri=True, timeout=_WAIT, isolation_level=None)
    try:
        connection.row_factory = sqlite3.Row
        connection.create_function("sqrt_of", 1, lambda x: x**0.5, deterministic=True)
        connection.execute("PRAGMA foreign_keys = ON")
        if salvage:
            # So SQLite reads a file that was cut, and passes over tables that it cannot parse
            # (from memory of its source); nothing is written.
            connection.execute("PRAGMA writable_schema = ON")
        if mode == "mode=ro":
            try:
                connection.execute("PRAGMA schema_version").fetchone()
            except sqlite3.OperationalError as error:
                # A log that a reader cannot take part in: read what had been folded back. Where
                # another is writing, or left off in the midst of it, that is not all.
                code = getattr(error, "sqlite_errorname", "") or ""
                held = code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED"))
                beside = (path.with_name(path.name + end) for end in ("-wal", "-journal"))
                if held or any(each.exists() and each.stat().st_size for each in beside):
                    raise
                connection.close()
                return _connect(path, "mode=ro&immutable=1", salvage=salvage)
    except BaseException:
        connection.close()
        raise
    return connection


def _prepared(path: Path, connection: sqlite3.Connection) -> str | None:
    """Bring the tables up to date; why there is no write-ahead log, where there is none."""
    said = _journal(path, connection)
    taken = _version(connection, path, fresh=True)
    for number, script in enumerate(MIGRATIONS[taken:], taken + 1):
        connection.executescript(
            f"BEGIN IMMEDIATE; PRAGMA application_id = {APPLICATION_ID}; {script};"
            f"PRAGMA user_version = {number}; COMMIT;"
        )
    # Whether it can be written is found out now, not after the first hour.
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("INSERT OR REPLACE INTO facts VALUES ('opened', ?)", (now(),))
    connection.execute("COMMIT")
    return said


def _journal(path: Path, connection: sqlite3.Connection) -> str | None:
    kind = _file_system(path)
    if kind.startswith(_REMOTE):
        connection.execute("PRAGMA journal_mode = DELETE")
        return f"{path} lies on a network file system ({kind})"
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    # The log is synced when it is folded back: a kill loses nothing, a power cut the last seconds.
    connection.execute("PRAGMA synchronous = NORMAL")
    return None if mode == "wal" else f"the file system of {path} does not allow it"


def _file_system(path: Path) -> str:
    """The kind of file system a path lies on, as Linux tells it; empty where that is unknown."""
    try:
        lines = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    mounts = [line.split(" ") for line in lines]
    folder = path.resolve().parent
    best = ("", "")
    for _, place, kind, *_ in mounts:
        place = place.replace("\\040", " ")  # noqa: PLW2901 -- octal escape of a space, proc(5)
        if folder.is_relative_to(place) and len(place) >= len(best[0]):
            best = (place, kind)
    return best[1]


def _version(connection: sqlite3.Connection, path: Path, *, fresh: bool = False) -> int:
    """The schema version of a ledger; refuses what is none, or too new."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if fresh and tables == 0 and mark == 0:
        return 0
    if mark != APPLICATION_ID:
        raise LedgerError(f"{path} is no ledger of autocast; name another file.")
    if version > len(MIGRATIONS):
        raise LedgerError(
            f"{path} was written by a later version of autocast (schema {version}; "
            f"{len(MIGRATIONS)} is read); update autocast."
        )
    return int(version)


def _locked(path: Path) -> Any:  # noqa: ANN401 -- filelock picks the class by platform
    from filelock import FileLock, Timeout

    beside = path.with_name(path.name + ".lock")
    if os.path.lexists(beside) and (
        beside.is_symlink() or not beside.is_file() or beside.stat().st_size > _LARGEST_LOCK
    ):  # it would be emptied, or what it leads to
        raise LedgerError(f"{beside} is no lock of a ledger; take it away.")
    lock = FileLock(beside)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise LedgerError(
            f"{path} is being written by another run; wait for its end, or stop it."
        ) from None
    except (OSError, NotImplementedError) as error:
        reason = getattr(error, "strerror", None) or error
        raise LedgerError(
            f"{path} cannot be written ({reason}); name a ledger in a folder you may write to."
        ) from error
    return lock


@contextlib.contextmanager
def _explained(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into one sentence."""
    try:
        yield
    except sqlite3.Error as error:
        raise LedgerError(_sentence(path, error)) from error
    except UnicodeDecodeError as error:  # what SQLite says of rotted tables need be no text
        raise LedgerError(
            f"{path} is damaged ({error.reason}); restore a copy of it, or start a new ledger."
        ) from error


def _sentence(path: Path, error: sqlite3.Error) -> str:
    code = getattr(error, "sqlite_errorname", "") or ""
    kept = "what was kept before is safe"
    if code == "SQLITE_FULL":
        return f"{path} cannot grow: the disk is full; free space and run again, {kept}."
    if code.startswith("SQLITE_READONLY"):
        return f"{path} is read-only; allow writing to it and its folder, or name another ledger."
    if code.startswith("SQLITE_CANTOPEN"):
        return f"{path} cannot be opened; check its path and permissions, and those of its folder."
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return f"{path} is held by another program; close it there and run again, {kept}."
    if code.startswith("SQLITE_NOTADB"):
        return f"{path} is no ledger of autocast; name another file."
    if code.startswith("SQLITE_CORRUPT"):
        return (
            f"{path} is damaged ({error}); restore a copy of it, or save what can be read with "
            "autocast export --salvage."
        )
    if code.startswith("SQLITE_IOERR"):
        return (
            f"{path} cannot be read or written ({error}); check the disk and its space and run "
            f"again, {kept}."
        )
    return f"{path} cannot be used ({error}); restore a copy of it, or start a new ledger."


_ROW = tuple(
    field.name
    for field in dataclasses.fields(Row)
    if field.name not in {"gone", "remarks", "series", "document", "regions"}
)
"""What the view and a Row call alike."""
_COLUMNS = (set(_ROW) - {"id", "archive_probability", "judged_verdict"}) | {
    "gone", "remarks", "var_a", "cov_ab", "var_b", "own_verdict", "needs",
}  # fmt: skip
"""Every column of a picture but its number."""


def _columns(outcome: Outcome) -> dict[str, Any]:
    """The columns of one outcome; those of a judgement are None where there is none."""
    entry = outcome.entry
    columns: dict[str, Any] = dict.fromkeys(sorted(_COLUMNS)) | {
        "path": entry.path,
        "folder": entry.folder,
        "size": entry.size,
        "mtime": entry.mtime,
        "hash": outcome.hash,
        "camera": clean(outcome.camera),
        "taken": clean(outcome.taken),
        "at": outcome.at,
        "failure": None if outcome.failure is None else clean(outcome.failure),
        "gone": 0,
        "needs": outcome.needs,
    }
    if outcome.judgement is None:
        return columns
    # Plain JSON, not Judgement: what a worker just wrote needs no check of every part.
    data = json.loads(outcome.judgement)
    cast = data["cast"]
    (var_a, cov_ab), (_, var_b) = cast["covariance"]
    size = math.hypot(cast["a"], cast["b"])
    alike = ("verdict", "probability", "base_rate", "model", "width", "height")
    return (
        columns
        | {name: data[name] for name in alike}
        | {name: cast[name] for name in ("a", "b", "spread")}
        | {
            "size_of_cast": size,
            "var_a": var_a,
            "cov_ab": cov_ab,
            "var_b": var_b,
            "strength": strength_word(cast["a"], cast["b"]),
            "hue": None if size < SLIGHT_FROM else hue_name(cast["a"], cast["b"]),
            "remarks": " ".join(data["remarks"]),
        }
    )


_OF_SERIES = (
    "series", "series_count", "series_sharing", "series_a", "series_b", "series_spread",
    "series_share", "odd", "shared_a", "shared_b", "shared_spread", "series_apart",
    "series_probability", "finding", "lead",
)  # fmt: skip
"""What the view says of a picture's series."""


_ALONE = {
    "verdict": "coalesce(o.own_verdict, o.verdict)",
    "judged_verdict": "o.verdict",
    "archive_probability": "NULL",
    **dict.fromkeys(_OF_SERIES, "NULL"),
}
"""What stands for the view's columns where a picture is read alone, by its own table."""


def _select(*, documents: bool, alone: bool = False) -> str:
    """Rows of the view, the judgements' JSON beside them where that is wanted.

    Columns are asked for by name, so that SQLite misses one whose name has rotted.
    """
    own = _ALONE if alone else {}
    columns = (*_ROW, "gone", "remarks", *_OF_SERIES)
    names = ", ".join(f"{own.get(name, f'o.{name}')} AS {name}" for name in columns)
    table = "pictures" if alone else "overview"
    if not documents:
        return f"SELECT {names} FROM {table} o"  # noqa: S608 -- the ledger's own names
    return (
        f"SELECT {names}, j.json AS document, j.regions FROM {table} o "  # noqa: S608
        "LEFT JOIN judgements j ON j.picture = o.id"
    )


def _where(wanted: Wanted) -> tuple[str, tuple[str | bytes, ...]]:
    parts, values = conditions(wanted)
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), values


def conditions(wanted: Wanted, of: str = "") -> tuple[list[str], tuple[str | bytes, ...]]:
    """What SQL asks of a picture that is wanted, and the values that belong to it.

    ``of`` is what stands before a column's name where several tables have it, as ``p.``.
    """
    parts = [] if wanted.gone else [f"{of}gone = 0"]
    values: list[str | bytes] = []
    if wanted.failed is not None:
        parts.append(f"{of}failure IS {'NOT NULL' if wanted.failed else 'NULL'}")
    for name, chosen in (("verdict", wanted.verdicts), ("hue", wanted.hues)):
        if chosen:
            parts.append(f"{of}{name} IN ({', '.join('?' * len(chosen))})")
            values.extend(chosen)
    if wanted.remarks:
        has = " OR ".join([f"instr(' ' || {of}remarks || ' ', ?) > 0"] * len(wanted.remarks))
        parts.append(f"({has})")
        values.extend(f" {remark} " for remark in wanted.remarks)
    if wanted.folder is not None:
        # All that sorts between "folder/" and "folder" with the next character lies below it.
        inside = wanted.folder.rstrip(b"/") + b"/"
        parts.append(f"({of}folder = ? OR ({of}folder >= ? AND {of}folder < ?))")
        values.extend((wanted.folder, inside, inside[:-1] + b"0"))
    if wanted.decided:
        some = ", ".join("?" * len(wanted.decided))
        parts.append(f"{of}hash IN (SELECT hash FROM standing WHERE decision IN ({some}))")  # noqa: S608
        values.extend(wanted.decided)
    if wanted.undecided:
        parts.append(f"{of}hash NOT IN (SELECT hash FROM standing WHERE hash NOT NULL)")  # noqa: S608
    if wanted.findings:
        parts.append("NOT (coalesce(finding, 0) AND NOT odd AND lead <> id)")
    return parts, tuple(values)


def _row(found: sqlite3.Row) -> Row:
    names = found.keys()
    series = None
    if found["series"] is not None:
        series = InSeries(
            series=found["series"],
            count=found["series_count"],
            sharing=found["series_sharing"],
            a=found["series_a"],
            b=found["series_b"],
            spread=found["series_spread"],
            share=found["series_share"],
            odd=bool(found["odd"]),
            shared_a=found["shared_a"],
            shared_b=found["shared_b"],
            shared_spread=found["shared_spread"],
            apart=found["series_apart"],
            probability=found["series_probability"],
            finding=bool(found["finding"]),
            leads=found["lead"] == found["id"],
        )
    return Row(
        **{name: found[name] for name in _ROW},
        gone=bool(found["gone"]),
        remarks=tuple(str(found["remarks"] or "").split()),
        series=series,
        document=found["document"] if "document" in names else None,
        regions=found["regions"] if "regions" in names else None,
    )
