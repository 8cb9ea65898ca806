"""A file, an array or an image becomes pixels that can be trusted; and a copy of it is written.

Decoding with its limits, colour profiles, borders, copies with their colours
changed, and files that appear whole or not at all. Originals are only read.
"""

from autocast.picture.copying import check_copy, check_target, copy as copy_picture
from autocast.picture.decoding import PIXEL_LIMIT, Source, is_picture
from autocast.picture.opening import (
    WORKING_SIDE,
    Disc,
    Picture,
    discs,
    full_pixels,
    open_picture,
    own_space,
    reduced_pixels,
)
from autocast.picture.profiles import RgbSpace, srgb_space

__all__ = [
    "PIXEL_LIMIT",
    "WORKING_SIDE",
    "Disc",
    "Picture",
    "RgbSpace",
    "Source",
    "check_copy",
    "check_target",
    "copy_picture",
    "discs",
    "full_pixels",
    "is_picture",
    "open_picture",
    "own_space",
    "reduced_pixels",
    "srgb_space",
]
