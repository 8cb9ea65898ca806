"""What a worker does with one picture: judge it, and always come back with an outcome."""

from __future__ import annotations

import hashlib
import io
import os

from autocast.archive.ledger import now
from autocast.archive.rows import Entry, Outcome, is_address
from autocast.errors import ModelError, PictureError
from autocast.judging import Examination, examine


def judged(entry: Entry) -> Outcome:
    """Judge one picture. Raises ModelError alone: that is no fault of the picture."""
    name = os.fsdecode(entry.path)
    content = None
    try:
        content, examination = _examined(entry, name)
    except ModelError:
        raise
    except PictureError as error:
        return Outcome(entry, now(), hash=_hash(entry, content), failure=str(error))
    except OSError as error:
        reason = error.strerror or str(error)
        return Outcome(entry, now(), failure=f"{name} cannot be read: {reason}.")
    except MemoryError:
        return Outcome(
            entry, now(), failure=f"{name} does not fit into memory; give a smaller copy."
        )
    except Exception as error:  # noqa: BLE001 -- one picture must not end the run
        return Outcome(
            entry,
            now(),
            failure=f"{name} could not be judged, which is a defect of autocast: {error!r}.",
        )
    return Outcome(
        entry,
        now(),
        hash=content,
        judgement=examination.judgement.to_json(),
        camera=examination.picture.facts.get("camera", ""),
        taken=examination.picture.facts.get("taken", ""),
    )


def _examined(entry: Entry, name: str) -> tuple[str | None, Examination]:
    if is_address(entry.path):
        from autocast.archive.remote import contents

        source = io.BytesIO(contents(entry.path))
        source.name = name
        content = hashlib.sha256(source.getbuffer()).hexdigest()
        return content, examine(source)
    # Read twice, from the system's cache the second time: a large file need not fit in memory.
    return _hash(entry, None), examine(name)


def _hash(entry: Entry, known: str | None) -> str | None:
    """SHA-256 of a file's content; None where it cannot be read."""
    if known is not None or is_address(entry.path):
        return known
    try:
        with open(entry.path, "rb") as file:  # noqa: PTH123 -- paths are bytes
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None
