"""What a judgement is and how it is put in words; the lowest room but for colour's formulas.

Its types go to JSON and back. Beside them lie the lists that everything reads:
the things that are looked for (:mod:`~autocast.judgement.things`), the remarks,
and the words for verdicts and casts. Importing it loads nothing heavy.
"""

from autocast.judgement.limits import EVIDENT_FROM, SLIGHT_FROM, STRONG_FROM
from autocast.judgement.remarks import REMARKS, RemarkText
from autocast.judgement.things import HINTS
from autocast.judgement.types import (
    RISKS,
    SCHEMA_VERSION,
    Assumptions,
    Cast,
    Evidence,
    Hint,
    Judgement,
    Mode,
    Place,
    Reading,
    Risks,
    Spot,
    ToneCast,
)
from autocast.judgement.words import (
    TONE_RANGES,
    VERDICT_WORDS,
    Stance,
    Verdict,
    describe,
    hue_name,
    strength_word,
)

__all__ = [
    "EVIDENT_FROM",
    "HINTS",
    "REMARKS",
    "RISKS",
    "SCHEMA_VERSION",
    "SLIGHT_FROM",
    "STRONG_FROM",
    "TONE_RANGES",
    "VERDICT_WORDS",
    "Assumptions",
    "Cast",
    "Evidence",
    "Hint",
    "Judgement",
    "Mode",
    "Place",
    "Reading",
    "RemarkText",
    "Risks",
    "Spot",
    "Stance",
    "ToneCast",
    "Verdict",
    "describe",
    "hue_name",
    "strength_word",
]
