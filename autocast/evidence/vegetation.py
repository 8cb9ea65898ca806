"""Leaves and grass.

Target: a* negative, b* positive and larger in size than a*. Measured spectra
under D65 (ECOSTRESS library, recomputed with colour-science): tree foliage at
its median L* 38, a* -8, b* 12; grass L* 37..51, a* -12..-10, b* 18..22; hue
110..130 degrees, tight, where chroma is not.
"""

from __future__ import annotations

from autocast.evidence import class_evidence

EVIDENCE = class_evidence("vegetation")
