"""Clear sky.

Target: b* negative, how far cannot be said; a* between about -5 and +2,
usually on the green side of 0, seldom on the magenta side (common practice, no
source). The density is rendered from the CIE daylight locus.
"""

from __future__ import annotations

from autocast.evidence.votes import class_evidence, scaled_target
from autocast.judgement import Reading


def target(lightness: float) -> Reading:
    """A middling blue: the blue-sky patch of the 24-patch chart (values after November 2014).

    Its D50 values 49.32, -3.82, -22.54 adapted to D65 read about a* -1, b* -23
    at L* 49 (recomputed with colour-science in the tests).
    """
    return scaled_target(lightness, -1.0, -23.0, 49.3)


SKY = class_evidence("sky", "clear sky", target)
