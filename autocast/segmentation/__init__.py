"""What is in the picture, before its light is known.

Pixels become a hundred-odd regions; :func:`look` says how likely each is of each
known colour under every cast; :func:`character` tells what kind of picture it
is, and :mod:`~autocast.segmentation.content` what it seems to show.
"""

from autocast.segmentation.character import Character as Character, character as character
from autocast.segmentation.likelihoods import (
    Scene as Scene,
    likely_casts as likely_casts,
    look as look,
    memberships as memberships,
)
from autocast.segmentation.regions import (
    BURIED_BELOW as BURIED_BELOW,
    CLIPPED_FROM as CLIPPED_FROM,
    Regions as Regions,
    planes as planes,
    tone_masks as tone_masks,
)
