"""A ledger as a file that other programs read: CSV, JSON Lines or Parquet.

One line or row for each picture, in the order of paths. ``uri`` is the exact
path, percent-encoded (RFC 8089), which also carries names that are no Unicode;
``path`` is for reading. The file is written beside its place and moved there
when it is whole.
"""

from __future__ import annotations

import csv
import json
import os
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from operator import attrgetter
from pathlib import Path
from typing import Any, Never, TypeVar
from urllib.parse import quote_from_bytes

from autocast.archive.kept import check_kept
from autocast.archive.ledger import Ledger
from autocast.archive.rows import Row, Wanted, clean, is_address
from autocast.errors import LedgerError, OutputError
from autocast.picture.writing import check_free, whole

T = TypeVar("T")
Read = Callable[[Row], Any]
Write = Callable[[list[Row]], None]


def _series(name: str) -> Read:
    return lambda row: None if row.series is None else getattr(row.series, name)


COLUMNS: dict[str, tuple[type, Read]] = {
    "path": (str, lambda row: readable(row.path)),
    "uri": (str, lambda row: uri(row.path)),
    "verdict": (str, attrgetter("verdict")),
    "judged_verdict": (str, attrgetter("judged_verdict")),
    "probability": (float, attrgetter("probability")),
    "base_rate": (float, attrgetter("base_rate")),
    "archive_probability": (float, attrgetter("archive_probability")),
    "cast_a": (float, attrgetter("a")),
    "cast_b": (float, attrgetter("b")),
    "cast_size": (float, attrgetter("size_of_cast")),
    "cast_spread": (float, attrgetter("spread")),
    "strength": (str, attrgetter("strength")),
    "hue": (str, attrgetter("hue")),
    "remarks": (str, lambda row: " ".join(row.remarks)),
    "failure": (str, attrgetter("failure")),
    "series": (int, _series("series")),
    "series_count": (int, _series("count")),
    "series_a": (float, _series("a")),
    "series_b": (float, _series("b")),
    "series_finding": (bool, _series("finding")),
    "series_odd": (bool, _series("odd")),
    "width": (int, attrgetter("width")),
    "height": (int, attrgetter("height")),
    "camera": (str, attrgetter("camera")),
    "taken": (str, attrgetter("taken")),
    "bytes": (int, attrgetter("size")),
    "sha256": (str, attrgetter("hash")),
    "model": (str, attrgetter("model")),
    "at": (str, attrgetter("at")),
    "gone": (bool, attrgetter("gone")),
}
"""Name, type and source of each column. JSON Lines and Parquet add ``judgement``, in full."""

_CALCULATED = re.compile(
    "^(?=[-=+@\uff1d\uff0b\uff0d\uff20\t\r\n])|(?<=[;\t\r\n])(?=[-=+@\uff1d\uff0b\uff0d\uff20])"
)
"""Where a spreadsheet would begin to calculate a text: at its beginning, and after what some take
for the end of a cell; full-width characters too (OWASP, "CSV injection", from memory)."""


def export(
    ledger: Ledger, to: Path, *, force: bool = False, salvage: bool = False
) -> tuple[int, int]:
    """Write the whole ledger to ``to``, its kind by its ending; how many pictures.

    A file that is there is replaced only with ``force``. With ``salvage`` pictures whose rows
    are damaged are left out, and counted second. Raises OutputError.
    """
    writers = {".csv": _csv, ".jsonl": _json_lines, ".parquet": _parquet}
    writer = chosen(ledger, to, writers, force=force)
    documents = writer is not _csv
    count = damaged = 0
    with whole(to, force=force) as beside, writer(beside) as write:
        if not salvage:
            for page in ledger.pages(Wanted(gone=True), by="path", documents=documents):
                write(page)
                count += len(page)
            return count, 0
        for row in ledger.salvaged(documents=documents):
            try:
                if row is None:
                    damaged += 1
                else:
                    write([row])
                    count += 1
            except LedgerError:  # its judgement in full
                damaged += 1
    return count, damaged


def chosen(ledger: Ledger, to: Path, writers: Mapping[str, T], *, force: bool) -> T:
    """The writer for a file's ending. Raises OutputError where it is none, or must not go there."""
    writer = writers.get(to.suffix.lower())
    if writer is None:
        raise OutputError(f"{to} must end in {', '.join(writers)}; name it by what it should be.")
    if not to.parent.is_dir():
        raise OutputError(f"{to.parent} does not exist; make the folder first.")
    check_kept(ledger, to)
    check_free(to, force=force)
    return writer


def plain(row: Row) -> dict[str, Any]:
    """The columns of one row."""
    return {name: read(row) for name, (_, read) in COLUMNS.items()}


def uri(path: bytes) -> str:
    """The exact path as a URI."""
    if is_address(path):
        return path.decode("utf-8", "surrogateescape")
    if os.name == "nt":
        return Path(os.fsdecode(path)).as_uri()
    return "file://" + quote_from_bytes(path)


def readable(path: bytes) -> str:
    r"""The path as text; bytes that are no UTF-8 as ``\xNN``."""
    return path.decode("utf-8", "backslashreplace")


@contextmanager
def _csv(to: Path) -> Iterator[Write]:
    with csv_file(to, COLUMNS) as write:
        yield lambda page: write(map(plain, page))


@contextmanager
def csv_file(
    to: Path, columns: Collection[str]
) -> Iterator[Callable[[Iterable[Mapping[str, Any]]], None]]:
    """A CSV file for spreadsheets: a function that writes rows of these columns."""
    # The byte order mark tells spreadsheets that the text is UTF-8.
    with to.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        yield lambda rows: writer.writerows(
            {name: defused(value) for name, value in row.items()} for row in rows
        )


def defused(value: Any) -> Any:  # noqa: ANN401 -- whatever a column holds
    """A cell that no spreadsheet calculates: an apostrophe stands before what it would."""
    return _CALCULATED.sub("'", value) if isinstance(value, str) else value


@contextmanager
def _json_lines(to: Path) -> Iterator[Write]:
    with to.open("w", encoding="ascii", newline="\n") as file:
        yield lambda page: file.writelines(
            json.dumps({**plain(row), "judgement": _judgement(row)}) + "\n" for row in page
        )


def _judgement(row: Row) -> dict[str, Any] | None:
    """The judgement in full, its name in text that UTF-8 can carry."""
    if row.document is None:
        return None
    try:
        data = json.loads(row.document, parse_constant=_no_number)
        name = clean(data["name"])
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise LedgerError(
            f"The ledger's judgement of {row.name} is damaged; judge it again with autocast "
            "presort --rejudge."
        ) from error
    return {**data, "name": name}


def _no_number(name: str) -> Never:
    raise ValueError(name)


@contextmanager
def _parquet(to: Path) -> Iterator[Write]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise OutputError(
            "Parquet needs pyarrow; install it with pip install 'autocast[parquet]'."
        ) from error
    types = {str: pa.string(), float: pa.float64(), int: pa.int64(), bool: pa.bool_()}
    fields = [(name, types[kind]) for name, (kind, _) in COLUMNS.items()]
    schema = pa.schema([*fields, ("judgement", pa.string())])

    def record(row: Row) -> dict[str, Any]:
        judgement = _judgement(row)
        return {**plain(row), "judgement": judgement and json.dumps(judgement)}

    with pq.ParquetWriter(to, schema, compression="zstd") as writer:
        yield lambda page: writer.write_table(pa.Table.from_pylist(list(map(record, page)), schema))
