"""Every error a caller can meet.

::

    AutocastError
    ├── PictureError            the picture cannot be judged
    │   ├── UnreadablePicture   missing, damaged, empty, or not a picture
    │   ├── UnsupportedPicture  a kind of file or array that is not taken
    │   └── PictureTooLarge     beyond the pixel limit, or the memory allowed
    ├── HintError               a hint names no spot that can be read
    ├── ModelError              a fitted file is missing, damaged or unknown
    ├── JudgementError          a document is no judgement of a known version
    ├── AssumptionError         a base rate or a risk that is no share between 0 and 1
    ├── ArchiveError            an archive cannot be walked, or those who judge not be reached
    ├── LedgerError             a ledger cannot be read, written or understood
    └── OutputError             a result cannot be written where it was asked for

The message is one sentence that names the thing and says what to do; it can be
shown to a user as it stands.
"""

from __future__ import annotations


class AutocastError(Exception):
    """Base of every error that autocast raises on purpose."""


class PictureError(AutocastError):
    """The picture cannot be judged."""


class UnreadablePicture(PictureError):
    """Missing, damaged, empty, or not a picture at all."""


class UnsupportedPicture(PictureError):
    """A kind of file or array that autocast does not take."""


class PictureTooLarge(PictureError):
    """The picture has more pixels than the limit, or takes more memory than is allowed.

    ``needs`` is the number of bytes that would do; None where none would.
    """

    def __init__(self, message: str, needs: int | None = None) -> None:
        super().__init__(message)
        self.needs = needs


class HintError(AutocastError):
    """A hint is of an unknown kind, or names no spot of the picture that can be read."""


class ModelError(AutocastError):
    """A fitted file is missing, damaged or of an unknown version."""


class JudgementError(AutocastError):
    """A document is no judgement, or one of an unknown schema version."""


class AssumptionError(AutocastError):
    """A base rate or a risk that is no share between 0 and 1."""


class ArchiveError(AutocastError):
    """An archive cannot be walked, or the processes that judge it cannot be reached."""


class LedgerError(AutocastError):
    """A ledger cannot be read, written or understood."""


class OutputError(AutocastError):
    """A result cannot be written where it was asked for."""
