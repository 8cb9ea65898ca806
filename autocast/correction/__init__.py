"""From a judgement to a corrected copy that is proven: estimate, move, copy, proof.

:func:`plan` fits the move to what was judged; :class:`Curves` applies it to any
values of one RGB space, such as the working pixels of a picture::

    examination = judging.examine(source)
    move = plan(examination)
    after = corrected(examination.picture, move)      # H x W x 3, sRGB-encoded
"""

from autocast.correction.check import Proof, ProvenReading
from autocast.correction.correcting import (
    Advice,
    Correction,
    Wish,
    Work,
    correct,
    correct_and_keep,
    corrected,
    plan,
    refusal,
)
from autocast.correction.table import check_clf, write_clf
from autocast.correction.tone_curves import Curves, Move, curves

__all__ = [
    "Advice",
    "Correction",
    "Curves",
    "Move",
    "Proof",
    "ProvenReading",
    "Wish",
    "Work",
    "check_clf",
    "correct",
    "correct_and_keep",
    "corrected",
    "curves",
    "plan",
    "refusal",
    "write_clf",
]
