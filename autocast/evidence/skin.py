"""Skin, of every complexion.

Target: a* and b* both positive, b* about equal to a* or larger (common
practice, no source). Facial means of four populations lie at L* 56..61,
a* 10.5..11.8, b* 14.2..17.7 (Xiao et al., Skin Res. Technol. 23, 2017); a*
hardly changes between them, b* and L* do.

A reading of skin says nothing about a person's health or origin.
"""

from __future__ import annotations

from autocast.evidence.votes import class_evidence, scaled_target
from autocast.judgement import Reading


def target(lightness: float) -> Reading:
    """The middle of the published facial means: a* 11, b* 16 at L* 58.5."""
    return scaled_target(lightness, 11.0, 16.0, 58.5)


SKIN = class_evidence("skin", "skin", target)
