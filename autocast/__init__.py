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
    import os

    from autocast.correction import Correction
    from autocast.measuring import Measures
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
    "correct",
    "judge",
    "measure",
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


def measure(
    source: Source, at: Sequence[tuple[float, float]] = (), radius: float | None = None
) -> Measures:
    """Read small discs of a picture at full resolution, from light to dark.

    ``at`` are (x, y) in pixels of the full upright picture, origin at its top
    left corner; without it the spots that a careful person would pick are
    proposed. ``radius`` is in pixels, 0.5 % of the long side unless given.
    Raises PictureError, or HintError for a spot outside the picture.
    """
    from autocast.measuring import measure as measure_now

    return measure_now(source, at, radius)


def correct(
    source: Source,
    to: str | os.PathLike[str] | None = None,
    *,
    hints: Sequence[Hint] = (),
    strength: float = 1.0,
    anyway: bool = False,
) -> Correction:
    """Judge a picture, and write a corrected, proven copy to ``to`` where a cast is likely.

    ``source`` is a path where a copy is wanted; without ``to`` it may be
    anything that can be judged, and only the move is told. ``hints`` are what a
    person knows; ``strength`` (above 0, to 1) is the share of the cast taken
    away; ``anyway`` corrects by the best guess where a person should look.
    The original is never changed and a file at ``to`` never replaced. Nothing
    is written where no cast is seen: ``Correction.why`` says so. Raises
    PictureError, HintError, OutputError or ModelError.
    """
    from autocast.correction import correct as correct_now

    return correct_now(source, to, hints=hints, strength=strength, anyway=anyway)
