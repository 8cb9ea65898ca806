"""The folder of a report, and which of the files in it the report wrote itself.

They are listed in a file of the folder, each before it is written, so that a report
that was cut short knows its own as well. Only what is listed is replaced or removed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Self, TextIO

from autocast.errors import OutputError
from autocast.picture.writing import write_whole
from autocast.report.text import printable

MARK = "autocast-report.txt"
"""The file that marks a report and lists what it wrote."""
_FIRST = (
    "Pages written by autocast report. Whatever it wrote here is replaced when it runs again.\n"
)
_SECOND = "It wrote these files:\n"

# Every name that a report gives, so that no line of the list leads out of the folder.
_NAME = re.compile(
    r"(index|pictures|ask(-[0-9]+)?)\.html|style\.css|pictures\.js"
    r"|data/(index|(cards|asks)-[0-9]{5,})\.js|small/[0-9]{2}/[0-9]+-[0-9a-f]{12}(-[0-9a-f]{12})?\.jpg"
)
_FOLDERS = ("data", "small")


class Written:
    """A report's folder, made or claimed; a context manager, which lists what is left at its end.

    Raises OutputError where the folder holds other things or cannot be written.
    """

    def __init__(self, to: Path) -> None:
        self.to = to
        self._before = _claimed(to)
        self._now: set[str] = set()
        self._list: TextIO | None = None

    def write(self, name: str, content: bytes) -> None:
        """Write one file; ``name`` is its path below the folder. Raises OutputError."""
        place = self.to / name
        own = name in self._before or name in self._now
        if not own and (place.exists() or place.is_symlink()):
            raise OutputError(
                f"{printable(str(place))} was not written by this report; take it away, or "
                "name another folder."
            )
        try:
            if name not in self._before:
                if self._list is None:
                    self._list = (self.to / MARK).open("a", encoding="utf-8")
                self._list.write(f"{name}\n")
                self._list.flush()
            place.parent.mkdir(exist_ok=True)
        except OSError as error:
            raise _unwritable(self.to, error) from error
        self._now.add(name)
        write_whole(place, content)

    def listed(self, names: Iterable[str]) -> frozenset[str]:
        """Those that an earlier run wrote, whether or not they are still there."""
        return frozenset(self._before.intersection(names))

    def keep(self, name: str) -> None:
        """A file of an earlier run is of this one, too."""
        self._now.add(name)

    def sweep(self) -> None:
        """Remove what earlier runs wrote and this one did not. Raises OutputError."""
        self.close()
        try:
            for name in self._before - self._now:
                (self.to / name).unlink(missing_ok=True)
        except OSError as error:
            raise _unwritable(self.to, error) from error
        _keep_list(self.to, self._now)

    def close(self) -> None:
        """Keep the list as it is."""
        if self._list is not None:
            self._list.close()
            self._list = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _claimed(to: Path) -> set[str]:
    """Make the folder, or make sure that an earlier report fills it; what that wrote."""
    shown = printable(str(to))
    others = OutputError(f"{shown} holds other things; name a new or empty folder for the report.")
    mark = to / MARK
    try:
        to.mkdir(parents=True, exist_ok=True)
        before = set()
        if any(to.iterdir()):
            if not mark.is_file():
                raise others
            first, *lines = mark.read_text(encoding="utf-8", errors="replace").splitlines(
                keepends=True
            )
            if first != _FIRST:
                raise others
            # A report of an earlier version has no list, and is known by its names.
            listed = (line.rstrip("\n") for line in lines) if lines else _there(to)
            before = {name for name in listed if _NAME.fullmatch(name)}
        _keep_list(to, before)
        for name in _FOLDERS:
            (to / name).mkdir(exist_ok=True)
    except (OSError, ValueError) as error:
        raise _unwritable(to, error) from error
    for place in ((to / name) for name in _FOLDERS):
        if place.is_symlink():
            raise OutputError(f"{printable(str(place))} is a link; take it away.")
    return before


def _there(to: Path) -> list[str]:
    places = [p for pattern in ("*.*", "data/*.js", "small/*/*.jpg") for p in to.glob(pattern)]
    return [place.relative_to(to).as_posix() for place in places]


def _keep_list(to: Path, names: set[str]) -> None:
    lines = "".join(f"{name}\n" for name in sorted(names))
    write_whole(to / MARK, f"{_FIRST}{_SECOND}{lines}".encode())


def _unwritable(to: Path, error: OSError | ValueError) -> OutputError:
    reason = getattr(error, "strerror", None) or error
    return OutputError(
        f"{printable(str(to))} cannot be made or written: {reason}; name another folder."
    )
