"""The one list of remarks: results, reports and documentation all read it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple


class RemarkText(NamedTuple):
    """What a remark says, and the verdicts that it keeps a picture from."""

    sentence: str
    keeps_from: tuple[str, ...] = ()

    @property
    def asks(self) -> bool:
        """Whether it hands the picture to a person by itself."""
        return self.keeps_from == BOTH


BOTH = ("clear", "cast")
"""A remark that keeps a picture from both leaves ``ask`` alone."""

REMARKS: Mapping[str, RemarkText] = MappingProxyType(
    {
        "conflict": RemarkText("Things of known colour contradict each other.", BOTH),
        "split": RemarkText("Two different casts explain the picture about equally well.", BOTH),
        "no_known_colour": RemarkText(
            "What was found of known colour is too little or too unsure to tell the light by.", BOTH
        ),
        "few_neutrals": RemarkText(
            "A strong colour fills much of the picture, and few neutrals are there to check the "
            "light.",
            ("cast",),
        ),
        "dominant_colour": RemarkText("One strong colour dominates the picture."),
        "coloured_object": RemarkText(
            "A strongly coloured object stands among neutrals that agree with each other."
        ),
        "mixed_light": RemarkText("Parts of the frame seem to stand in different light.", BOTH),
        "parts_disagree": RemarkText("Parts of the frame do not share one cast.", ("clear",)),
        "tones_disagree": RemarkText(
            "Shadows, midtones and highlights do not share one cast.", ("clear",)
        ),
        "hint_doubted": RemarkText(
            "What you said about a spot contradicts the rest of the picture.", BOTH
        ),
        "off_grid": RemarkText(
            "The colour lies beyond the range of casts that can be told apart.", BOTH
        ),
        "believable_warmth": RemarkText(
            "The warmth may belong to the scene, as in low sun or lamplight."
        ),
        "monochrome": RemarkText("The picture is black and white.", ("cast",)),
        "toned": RemarkText("The picture is a toned black-and-white.", BOTH),
        "not_photograph": RemarkText("This does not look like a photograph.", BOTH),
        "clipped": RemarkText("Large areas are clipped and say nothing about the light."),
        "dark": RemarkText("The picture is almost black; little can be read.", BOTH),
        "tiny": RemarkText("The picture is very small; readings are rough."),
        "border": RemarkText("A plain border or caption was left out."),
        "ground": RemarkText("The plain background around the subject was left out."),
        "transparent": RemarkText("Transparent parts were left out."),
        "animated": RemarkText("Only the first frame was judged."),
        "no_profile": RemarkText("No colour profile is embedded; sRGB was assumed."),
        "tagged": RemarkText(
            "No colour profile is embedded; the file's own colour tags were used."
        ),
        "broken_profile": RemarkText(
            "The embedded colour profile cannot be used; sRGB was assumed."
        ),
        "cmyk_without_profile": RemarkText(
            "CMYK without a profile has no certain colour; embed the profile and judge again.", BOTH
        ),
    }
)
"""Every remark by its code, in the order in which a judgement lists them."""
