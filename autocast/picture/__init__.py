"""A file, an array or an image becomes pixels that can be trusted; and a copy of it is written.

Decoding with its limits, colour profiles, borders, copies with their colours
changed, and files that appear whole or not at all. Originals are only read.
"""

from autocast.picture.budget import (
    MEMORY as MEMORY,
    WORKING_SIDE as WORKING_SIDE,
    in_words as in_words,
    refusal as refusal,
    size_of as size_of,
)
from autocast.picture.copycost import check_memory as check_memory
from autocast.picture.copying import (
    Ahead as Ahead,
    check_copy as check_copy,
    check_target as check_target,
    copy_picture as copy_picture,
    decoding_ahead as decoding_ahead,
)
from autocast.picture.decoding import (
    PIXEL_LIMIT as PIXEL_LIMIT,
    DecodedOnce as DecodedOnce,
    Source as Source,
    is_picture as is_picture,
)
from autocast.picture.opening import (
    Disc as Disc,
    Picture as Picture,
    discs as discs,
    full_pixels as full_pixels,
    open_picture as open_picture,
    own_space as own_space,
    reduced_pixels as reduced_pixels,
    upright_size as upright_size,
)
from autocast.picture.places import DISC_SHARE as DISC_SHARE, reading_at as reading_at
from autocast.picture.profiles import RgbSpace as RgbSpace, srgb_space as srgb_space
