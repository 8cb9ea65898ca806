"""What a worker does with one picture: judge it, and always come back with an outcome."""

from __future__ import annotations

import hashlib
import io
import os
import pickle

from autocast.archive.ledger import now
from autocast.archive.regions import regions_of, written
from autocast.archive.room import Room
from autocast.archive.rows import Entry, Outcome, is_address
from autocast.errors import ModelError, PictureError, PictureTooLarge
from autocast.judging import examine
from autocast.modelstore import Models
from autocast.picture import Source, refusal
from autocast.picture.reading import open_file

_READ_AT_ONCE = 1 << 25
"""Bytes up to which a file is read once, and held while it is judged (project convention)."""


def judged(entry: Entry, models: Models, room: Room | None = None) -> Outcome:
    """Judge one picture. Raises ModelError alone: that is no fault of the picture."""
    name = os.fsdecode(entry.path)
    content = needs = None
    room = room or Room()
    try:
        source, content = _opened(entry, name)
        found = examine(source, models=models, explain=False, memory=room.memory)
    except ModelError:
        raise
    except PictureError as error:
        failure = str(error)
        needs = error.needs if isinstance(error, PictureTooLarge) else None
        if needs is not None and room.remedy:
            failure = refusal(name, needs, *room)
    except OSError as error:
        failure = f"{name} cannot be read: {error.strerror or error}."
    except MemoryError:
        failure = f"{name} does not fit into memory; give a smaller copy."
    except Exception as error:  # noqa: BLE001 -- one picture must not end the run
        failure = f"{name} could not be judged, which is a defect of autocast: {error!r}."
    else:
        return Outcome(
            entry,
            now(),
            hash=content,
            judgement=found.judgement.to_json(),
            regions=written(regions_of(found)),
            camera=found.picture.facts.get("camera", ""),
            taken=found.picture.facts.get("taken", ""),
        )
    return Outcome(entry, now(), hash=content, failure=failure, needs=needs)


def judged_by_pickled(entry: Entry, models: bytes, room: Room | None = None) -> Outcome:
    """The same, with models as they travel between processes."""
    return judged(entry, pickle.loads(models), room)  # noqa: S301 -- from the run that sent the entry


def _opened(entry: Entry, name: str) -> tuple[Source, str | None]:
    """What to judge, and the SHA-256 of its content; None where it cannot be read."""
    if is_address(entry.path):
        from autocast.archive.remote import contents

        return _held(contents(entry.path), name)
    try:
        with open_file(entry.path) as file:
            if os.fstat(file.fileno()).st_size <= _READ_AT_ONCE:
                return _held(file.read(), name)
            # A large file need not fit in memory: it is read twice.
            return name, hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return name, None


def _held(content: bytes, name: str) -> tuple[Source, str]:
    source = io.BytesIO(content)
    source.name = name
    return source, hashlib.sha256(content).hexdigest()
