"""Skin, of every complexion.

Target: a* and b* both positive, b* about equal to a* or larger (common
practice, no source). Facial means of four populations lie at L* 56..61,
a* 10.5..11.8, b* 14.2..17.7 (Xiao et al., Skin Res. Technol. 23, 2017); a*
hardly changes between them, b* and L* do.

A reading of skin says nothing about a person's health or origin.
"""

from __future__ import annotations

from autocast.evidence import class_evidence

EVIDENCE = class_evidence("skin")
