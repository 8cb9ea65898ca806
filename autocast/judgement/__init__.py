"""What a judgement is and how it is put in words; the lowest room but for colour's formulas.

Its types go to JSON and back. Beside them lie the lists that everything reads:
the things that are looked for (:mod:`~autocast.judgement.things`), the remarks,
and the words for verdicts and casts. Importing it loads nothing heavy.
"""

from autocast.judgement.limits import (
    EVIDENT_FROM as EVIDENT_FROM,
    SLIGHT_FROM as SLIGHT_FROM,
    STRONG_FROM as STRONG_FROM,
)
from autocast.judgement.remarks import REMARKS as REMARKS, RemarkText as RemarkText
from autocast.judgement.things import HINTS as HINTS
from autocast.judgement.types import (
    RISKS as RISKS,
    SCHEMA_VERSION as SCHEMA_VERSION,
    Assumptions as Assumptions,
    Cast as Cast,
    Evidence as Evidence,
    Hint as Hint,
    Judgement as Judgement,
    Mode as Mode,
    Place as Place,
    Reading as Reading,
    Risks as Risks,
    Spot as Spot,
    ToneCast as ToneCast,
)
from autocast.judgement.words import (
    DECISION_WORDS as DECISION_WORDS,
    TEMPERATURES as TEMPERATURES,
    TONE_RANGES as TONE_RANGES,
    VERDICT_WORDS as VERDICT_WORDS,
    Decision as Decision,
    Leaning as Leaning,
    Stance as Stance,
    Verdict as Verdict,
    describe as describe,
    hue_name as hue_name,
    strength_word as strength_word,
)
