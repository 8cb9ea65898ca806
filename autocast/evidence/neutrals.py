"""Probable neutrals: pavement and stone, metal, white things, clouds and snow, dark things.

Target: a* about 0, b* slightly warm. Measured surfaces under D65 (ECOSTRESS
library, recomputed with colour-science): concrete a* 0..4.9, b* 4.9..12,
asphalt 0.2..1.6 and 2..8, tar -0.4..0 and -2..-0.4, galvanised steel
-2.0..-1.6 and -3.4..0.1, snow -0.7..-0.2 and -0.5..-0.1. Everyday neutrals are
a little warm, few fall cool, none is green.
"""

from __future__ import annotations

from autocast.evidence import class_evidence

EVIDENCE = class_evidence("neutrals")
