"""autocast: can the colour of this photograph be trusted?

>>> import autocast
>>> judgement = autocast.judge("picture.jpg")
>>> judgement.verdict, judgement.probability
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from autocast.errors import (
    ArchiveError,
    AutocastError,
    HintError,
    JudgementError,
    LedgerError,
    ModelError,
    OutputError,
    PictureError,
    PictureTooLarge,
    UnreadablePicture,
    UnsupportedPicture,
)
from autocast.judgement import (
    HINTS,
    REMARKS,
    Cast,
    Evidence,
    Hint,
    Judgement,
    Mode,
    Place,
    Reading,
    Spot,
    ToneCast,
)

if TYPE_CHECKING:
    from autocast.picture import Source

__version__ = "0.1.0"

__all__ = [
    "HINTS",
    "REMARKS",
    "ArchiveError",
    "AutocastError",
    "Cast",
    "Evidence",
    "Hint",
    "HintError",
    "Judgement",
    "JudgementError",
    "LedgerError",
    "Mode",
    "ModelError",
    "OutputError",
    "PictureError",
    "PictureTooLarge",
    "Place",
    "Reading",
    "Spot",
    "ToneCast",
    "UnreadablePicture",
    "UnsupportedPicture",
    "__version__",
    "judge",
]


def judge(source: Source, hints: Sequence[Hint] = ()) -> Judgement:
    """Say whether the colour of a picture can be trusted.

    ``source`` is a path, bytes, a binary file, a PIL image, or an array
    (H x W, H x W x 3 or H x W x 4; uint8, uint16, or float in 0..1; sRGB).
    ``hints`` are what a person knows of spots. Raises PictureError for what
    cannot be judged, HintError for a hint that cannot be read, ModelError for
    damaged model files; all are AutocastError. The picture is only read.
    """
    # Imported here so that importing autocast costs nothing.
    from autocast.judging import judge as judge_now

    return judge_now(source, hints)
