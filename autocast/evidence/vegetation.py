"""Leaves and grass.

Target: a* negative, b* positive and larger in size than a*. Measured spectra
under D65 (ECOSTRESS library, recomputed with colour-science): tree foliage at
its median L* 38, a* -8, b* 12; grass L* 37..51, a* -12..-10, b* 18..22; hue
110..130 degrees, tight, where chroma is not.
"""

from __future__ import annotations

from autocast.evidence.votes import class_evidence, scaled_target
from autocast.judgement import Reading


def target(lightness: float) -> Reading:
    """Between foliage and grass: a* -9.5, b* 16 at L* 41 (middle of the medians above)."""
    return scaled_target(lightness, -9.5, 16.0, 41.0)


VEGETATION = class_evidence("vegetation", "leaves and grass", target)
