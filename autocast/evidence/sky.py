"""Clear sky.

Target: b* negative, by how much is open; a* between about -5 and +2,
usually on the green side of 0, seldom on the magenta side (common practice, no
source). The density is rendered from the CIE daylight locus.
"""

from __future__ import annotations

from autocast.evidence import class_evidence

EVIDENCE = class_evidence("sky")
