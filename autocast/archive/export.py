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
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote_from_bytes

from autocast.archive.ledger import Ledger
from autocast.archive.rows import Row, Wanted, is_address
from autocast.errors import OutputError
from autocast.picture.writing import whole

COLUMNS: dict[str, type] = {
    "path": str,
    "uri": str,
    "verdict": str,
    "probability": float,
    "base_rate": float,
    "archive_probability": float,
    "cast_a": float,
    "cast_b": float,
    "cast_size": float,
    "cast_spread": float,
    "strength": str,
    "hue": str,
    "remarks": str,
    "failure": str,
    "series": int,
    "series_count": int,
    "series_a": float,
    "series_b": float,
    "series_finding": bool,
    "series_odd": bool,
    "width": int,
    "height": int,
    "camera": str,
    "taken": str,
    "bytes": int,
    "sha256": str,
    "model": str,
    "at": str,
    "gone": bool,
}
"""Name and type of each column. JSON Lines and Parquet add ``judgement``, in full."""

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""First characters that make a spreadsheet calculate a text (OWASP, "CSV injection")."""


def export(ledger: Ledger, to: Path, *, force: bool = False) -> int:
    """Write the whole ledger to ``to``, its kind told by its ending; how many pictures.

    A file that is there is replaced only with ``force``. Raises OutputError.
    """
    writers = {".csv": _csv, ".jsonl": _json_lines, ".parquet": _parquet}
    writer = writers.get(to.suffix.lower())
    if writer is None:
        raise OutputError(f"{to} must end in {', '.join(writers)}; name it by what it should be.")
    if not to.parent.is_dir():
        raise OutputError(f"{to.parent} does not exist; make the folder first.")
    if to.exists() and to.samefile(ledger.path):
        raise OutputError(f"{to} is the ledger itself; name another file.")
    if to.exists() and not force:
        raise OutputError(f"{to} exists already; name another file, or give --force.")
    with whole(to) as beside:
        return writer(ledger, beside)


def plain(row: Row) -> dict[str, Any]:
    """The columns of one row."""
    series = row.series
    return {
        "path": readable(row.path),
        "uri": uri(row.path),
        "verdict": row.verdict,
        "probability": row.probability,
        "base_rate": row.base_rate,
        "archive_probability": row.archive_probability,
        "cast_a": row.a,
        "cast_b": row.b,
        "cast_size": row.size_of_cast,
        "cast_spread": row.spread,
        "strength": row.strength,
        "hue": row.hue,
        "remarks": " ".join(row.remarks),
        "failure": row.failure,
        "series": series and series.series,
        "series_count": series and series.count,
        "series_a": series and series.a,
        "series_b": series and series.b,
        "series_finding": series and series.finding,
        "series_odd": series and series.odd,
        "width": row.width,
        "height": row.height,
        "camera": row.camera,
        "taken": row.taken,
        "bytes": row.size,
        "sha256": row.hash,
        "model": row.model,
        "at": row.at,
        "gone": row.gone,
    }


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


def _clean(text: str) -> str:
    """Text that UTF-8 can carry."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _rows(ledger: Ledger, *, documents: bool) -> Iterator[list[Row]]:
    return ledger.pages(Wanted(gone=True), by="path", documents=documents)


def _csv(ledger: Ledger, to: Path) -> int:
    count = 0
    # The byte order mark tells spreadsheets that the text is UTF-8.
    with to.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        for page in _rows(ledger, documents=False):
            writer.writerows({k: defused(v) for k, v in plain(row).items()} for row in page)
            count += len(page)
    return count


def defused(value: Any) -> Any:  # noqa: ANN401 -- whatever a column holds
    """A cell that no spreadsheet calculates: such a text gets an apostrophe before it."""
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def _json_lines(ledger: Ledger, to: Path) -> int:
    count = 0
    with to.open("w", encoding="ascii", newline="\n") as file:
        for page in _rows(ledger, documents=True):
            for row in page:
                document = row.document
                judgement = None if document is None else _judgement(document)
                file.write(json.dumps({**plain(row), "judgement": judgement}) + "\n")
            count += len(page)
    return count


def _judgement(document: str) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(document)
    return {**data, "name": _clean(data["name"])}


def _parquet(ledger: Ledger, to: Path) -> int:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise OutputError(
            "Parquet needs pyarrow; install it with pip install 'autocast[parquet]'."
        ) from error
    types = {str: pa.string(), float: pa.float64(), int: pa.int64(), bool: pa.bool_()}
    fields = [(name, types[kind]) for name, kind in COLUMNS.items()]
    schema = pa.schema([*fields, ("judgement", pa.string())])
    count = 0
    with pq.ParquetWriter(to, schema, compression="zstd") as writer:
        for page in _rows(ledger, documents=True):
            records = [
                {**plain(row), "judgement": row.document and json.dumps(_judgement(row.document))}
                for row in page
            ]
            writer.write_table(pa.Table.from_pylist(records, schema))
            count += len(page)
    return count
