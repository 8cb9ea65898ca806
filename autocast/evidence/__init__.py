"""What each kind of evidence says about the cast. One file per kind.

A new kind is one new file and a line here; a model file that does not know it
gives it no weight.
"""

from autocast.evidence.neutrals import NEUTRALS
from autocast.evidence.skin import SKIN
from autocast.evidence.sky import SKY
from autocast.evidence.statistics import STATISTICS
from autocast.evidence.vegetation import VEGETATION
from autocast.evidence.votes import Finding, KindOfEvidence, Outright, Vote

EVIDENCE: tuple[KindOfEvidence, ...] = (NEUTRALS, SKY, VEGETATION, SKIN, STATISTICS)

__all__ = ["EVIDENCE", "Finding", "KindOfEvidence", "Outright", "Vote"]
