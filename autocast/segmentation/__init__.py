"""What is in the picture, before its light is known.

Pixels become a hundred-odd regions; :func:`look` says how likely each is of each
known colour under every cast; :func:`character` tells what kind of picture it
is, and :mod:`~autocast.segmentation.content` what it seems to show.
"""

from autocast.segmentation.character import Character, character
from autocast.segmentation.likelihoods import Scene, likely_casts, look, memberships
from autocast.segmentation.regions import BURIED_BELOW, CLIPPED_FROM, Regions, tone_masks

__all__ = [
    "BURIED_BELOW",
    "CLIPPED_FROM",
    "Character",
    "Regions",
    "Scene",
    "character",
    "likely_casts",
    "look",
    "memberships",
    "tone_masks",
]
