"""From a judgement to a corrected copy that is proven: estimate, move, copy, proof.

:func:`plan` fits the move to what was judged; :class:`Curves` applies it to any
values of one RGB space, such as the working pixels of a picture::

    examination = judging.examine(source)
    move = plan(examination)
    after = corrected(examination.picture, move)      # H x W x 3, sRGB-encoded
"""

from autocast.correction.check import (
    Proof as Proof,
    ProvenReading as ProvenReading,
    prove as prove,
)
from autocast.correction.correcting import (
    Advice as Advice,
    Correction as Correction,
    Wish as Wish,
    Work as Work,
    correct as correct,
    correct_and_keep as correct_and_keep,
    corrected as corrected,
    plan as plan,
    proposed as proposed,
    refusal as refusal,
)
from autocast.correction.recoding import recoded as recoded
from autocast.correction.table import check_clf as check_clf, write_clf as write_clf
from autocast.correction.tone_curves import Curves as Curves, Move as Move, curves as curves
