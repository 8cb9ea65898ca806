from .correction import (
    Advice as Advice,
    Correction as Correction,
    Proof as Proof,
    ProvenReading as ProvenReading,
    correct as correct,
)
from .errors import (
    ArchiveError as ArchiveError,
    AssumptionError as AssumptionError,
    AutocastError as AutocastError,
    HintError as HintError,
    JudgementError as JudgementError,
    LedgerError as LedgerError,
    ModelError as ModelError,
    OutputError as OutputError,
    PictureError as PictureError,
    PictureTooLarge as PictureTooLarge,
    UnreadablePicture as UnreadablePicture,
    UnsupportedPicture as UnsupportedPicture,
)
from .judgement import (
    HINTS as HINTS,
    REMARKS as REMARKS,
    Assumptions as Assumptions,
    Cast as Cast,
    Evidence as Evidence,
    Hint as Hint,
    Judgement as Judgement,
    Mode as Mode,
    Place as Place,
    Reading as Reading,
    RemarkText as RemarkText,
    Risks as Risks,
    Spot as Spot,
    ToneCast as ToneCast,
)
from .judgement.schema import json_schema as json_schema
from .judging import judge as judge
from .measuring import Measured as Measured, Measures as Measures, measure as measure
from .modelstore import Models as Models

__version__: str
