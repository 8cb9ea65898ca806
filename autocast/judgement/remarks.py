"""The one list of remarks: results, reports and documentation all read it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple


class RemarkText(NamedTuple):
    """What a remark says, and whether it alone hands the picture to a person."""

    sentence: str
    asks: bool


REMARKS: Mapping[str, RemarkText] = MappingProxyType(
    {
        "conflict": RemarkText("Things of known colour contradict each other.", True),
        "split": RemarkText("Two different casts explain the picture about equally well.", True),
        "no_known_colour": RemarkText("Nothing of known colour was found.", True),
        "few_neutrals": RemarkText(
            "A strong colour fills much of the picture and few neutrals vouch for the light.", True
        ),
        "dominant_colour": RemarkText("One strong colour dominates the picture.", False),
        "coloured_object": RemarkText(
            "Something strongly coloured stands amid neutrals that agree with each other.", False
        ),
        "mixed_light": RemarkText("Parts of the frame seem to stand in different light.", True),
        "parts_disagree": RemarkText("Parts of the frame do not share one cast.", False),
        "tones_disagree": RemarkText(
            "Shadows, midtones and highlights do not share one cast.", False
        ),
        "hint_doubted": RemarkText(
            "What you said of a spot contradicts the rest of the picture.", True
        ),
        "off_grid": RemarkText(
            "The colour lies beyond the range of casts that can be told apart.", True
        ),
        "believable_warmth": RemarkText(
            "The warmth may belong to the scene, as in low sun or lamplight.", False
        ),
        "monochrome": RemarkText("The picture is black and white.", False),
        "toned": RemarkText("The picture is a toned black-and-white.", True),
        "not_photograph": RemarkText("This does not look like a photograph.", True),
        "clipped": RemarkText("Large areas are clipped and say nothing about the light.", False),
        "dark": RemarkText("The picture is almost black; little can be read.", True),
        "tiny": RemarkText("The picture is very small; readings are rough.", False),
        "border": RemarkText("A plain border or caption was left out.", False),
        "transparent": RemarkText("Transparent parts were left out.", False),
        "animated": RemarkText("Only the first frame was judged.", False),
        "no_profile": RemarkText("No colour profile is embedded; sRGB was assumed.", False),
        "tagged": RemarkText(
            "No colour profile is embedded; the file's own colour tags were used.", False
        ),
        "broken_profile": RemarkText(
            "The embedded colour profile cannot be used; sRGB was assumed.", False
        ),
        "cmyk_without_profile": RemarkText(
            "CMYK without a profile has no certain colour; embed the profile and judge again.",
            True,
        ),
    }
)
