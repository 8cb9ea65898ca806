"""The command that explains a remark."""

from __future__ import annotations

import difflib
import textwrap
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Annotated, NamedTuple

import typer

from autocast.cli._app import app, terminal
from autocast.judgement import REMARKS, VERDICT_WORDS
from autocast.judgement.limits import (
    AREAS_APART,
    CLIPPED_SHARE,
    COLOURED_FROM,
    CONFLICT_FROM,
    DARK_LIGHTNESS,
    DOMINANT_SHARE,
    EVIDENT_FROM,
    FEWEST_AGREEING,
    HINT_DOUBTED_FROM,
    KNOWN_SHARE,
    LARGEST_TOLD,
    MONOCHROME_CHROMA,
    OBJECT_SHARE,
    SECOND_MODE,
    SLIGHT_FROM,
    TONES_APART,
    WARM_HUES,
    WARMEST,
)


class Explanation(NamedTuple):
    """When a picture earns a remark, and what a person does about it."""

    means: str
    answer: str


EXPLAINED: Mapping[str, Explanation] = MappingProxyType(
    {
        "conflict": Explanation(
            "Two kinds of evidence, such as sky and neutrals, imply casts that lie more than "
            f"{CONFLICT_FROM:g} standard deviations apart.",
            "See which of them is really what it is taken for, and say so of its spot: --neutral, "
            "--sky, --foliage or --skin. What has its colour by itself leave out: --own-colour.",
        ),
        "split": Explanation(
            f"A second cast, more than C* {EVIDENT_FROM:g} from the first, has "
            f"{100 * SECOND_MODE:g} % of the probability or more.",
            "Judge again with one spot whose colour you know: --neutral X,Y decides best between "
            "them. judge --details shows both casts.",
        ),
        "no_known_colour": Explanation(
            f"Neutrals, sky, foliage and skin are less than {100 * KNOWN_SHARE:g} % of the "
            "picture, or say too little about the light.",
            "Look for anything whose colour you know, and name it: --neutral X,Y, or --sky, "
            "--foliage, --skin. Where there is nothing, only the eye can tell.",
        ),
        "few_neutrals": Explanation(
            "One strong colour dominates, and neutrals do not agree in "
            f"{FEWEST_AGREEING} tone ranges: the colour may be that of the scene or that of the "
            "light.",
            "Name a grey, white or black spot: --neutral X,Y. Or leave out what has the colour by "
            "itself: --own-colour X,Y,RADIUS.",
        ),
        "dominant_colour": Explanation(
            f"One colour covers {100 * DOMINANT_SHARE:g} % of the picture or more, or all its "
            "colours lie close together and far from neutral.",
            "Look whether that is the colour of the thing itself. If so, leave it out: "
            "--own-colour X,Y,RADIUS.",
        ),
        "coloured_object": Explanation(
            f"Something of C* {COLOURED_FROM:g} or more, the cast allowed for, covers "
            f"{100 * OBJECT_SHARE:g} % of the picture or more. Neutrals in {FEWEST_AGREEING} tone "
            "ranges read alike and near neutral, so it is taken to be of that colour.",
            "Nothing need be done. If one of the neutrals is not neutral, name one that is: "
            "--neutral X,Y.",
        ),
        "mixed_light": Explanation(
            "Neutrals of two areas at one height of the frame, such as left and right, imply casts "
            f"more than {AREAS_APART:g} apart in a*b*.",
            "Look for a window, a lamp or a flash that lights one side. Leave the side out that "
            "should not count: --other-light X,Y,RADIUS. One correction cannot suit both sides.",
        ),
        "parts_disagree": Explanation(
            "A fitted score says that a part of the frame has a cast of its own, as from a stain, "
            "a light leak or a second lamp.",
            "Compare left with right and top with bottom; measure PICTURE --at X,Y reads single "
            "spots. Leave the part out that should not count: --other-light X,Y,RADIUS.",
        ),
        "tones_disagree": Explanation(
            f"Casts of two tone ranges lie {TONES_APART:g} or more apart in a*b*, as in faded "
            "prints or where the curves of the channels cross.",
            "Compare a grey in the shadows with one in the light: measure PICTURE reads both. "
            "correct takes the cast of each tone range away.",
        ),
        "hint_doubted": Explanation(
            f"A hint lies {HINT_DOUBTED_FROM:g} standard deviations or more from all else, other "
            "hints among it.",
            "Look at the spot at full size; measure PICTURE --at X,Y reads it. If it is not what "
            "you said, judge again without it.",
        ),
        "off_grid": Explanation(
            f"The cast lies beyond C* {LARGEST_TOLD:g} or at the rim of the casts that are tried, "
            "as under water, on a stage, under a safelight or in false colour.",
            "Decide whether the colour is meant. If it is not, a new scan or development gains "
            "more than a correction: little of the other colours is left in it.",
        ),
        "believable_warmth": Explanation(
            f"The cast is warm, C* {SLIGHT_FROM:g} to {WARMEST:g} at a hue of {WARM_HUES[0]:g} to "
            f"{WARM_HUES[1]:g} degrees, as low sun, lamps or candles make it.",
            "Decide whether the warmth belongs to the scene. A neutral spot, --neutral X,Y, tells "
            "how warm the light was, not whether that was meant.",
        ),
        "monochrome": Explanation(
            f"98 % of the picture stays below C* {MONOCHROME_CHROMA:g}.",
            "Nothing need be done, unless it should be in colour.",
        ),
        "toned": Explanation(
            "One colour for each lightness explains the whole picture, as in a sepia print or a "
            "yellowed one.",
            "Decide whether the tone is meant: a toned print and a faded one look alike here.",
        ),
        "not_photograph": Explanation(
            "Most of it is exactly flat, in few colours, as in a drawing, a chart or a screenshot.",
            "Nothing known of photographs holds for drawings; if it is a photograph, only the eye "
            "can tell.",
        ),
        "clipped": Explanation(
            f"More than {100 * CLIPPED_SHARE:g} % of the picture has a channel blown out, or is "
            "solid black.",
            "measure PICTURE shows for each spot how much of it is clipped. A less exposed "
            "version, if there is one, says more.",
        ),
        "dark": Explanation(
            f"98 % of the picture lies below L* {DARK_LIGHTNESS:g}.",
            "Judge a lighter version of it, or look whether anything of known colour can be made "
            "out, and name it: --neutral X,Y.",
        ),
        "tiny": Explanation(
            "The long side is shorter than 64 pixels.",
            "Judge the original, not its preview.",
        ),
        "border": Explanation(
            "A frame, mount or caption of one plain colour was cut away before judging.",
            "Nothing need be done. The evidence picture shows what was left: judge PICTURE "
            "--picture OUT.png.",
        ),
        "ground": Explanation(
            "What is shown stands on a plain ground, as a cut-out does; it is judged alone.",
            "Nothing need be done: a ground of exactly one colour is painted, not photographed, "
            "and says nothing about the light.",
        ),
        "transparent": Explanation(
            "Pixels that are more than half transparent were not read.", "Nothing need be done."
        ),
        "animated": Explanation(
            "The file holds more than one frame.",
            "Save another frame as a file of its own to judge it.",
        ),
        "no_profile": Explanation(
            "The file does not say what its numbers mean, so they are taken for sRGB. Numbers of "
            "a larger space then look dull, and colours are misread.",
            "If you know the space, embed its profile and judge again.",
        ),
        "tagged": Explanation(
            "The file names its colour space in tags of its own, without a profile, and is read by "
            "them.",
            "Nothing need be done.",
        ),
        "broken_profile": Explanation(
            "There is a profile, but it is damaged or of a kind that does not fit the file.",
            "Embed a whole profile and judge again.",
        ),
        "cmyk_without_profile": Explanation(
            "Ink values have a colour only with the profile of a press and paper.",
            "Find out which profile belongs to it, embed it, and judge again.",
        ),
    }
)
"""One for each of the remarks, in their order."""

_KEEPS: Mapping[tuple[str, ...], tuple[str, str]] = MappingProxyType(
    {
        ("clear", "cast"): (
            "Always leave the picture to a person:",
            "It always leaves the picture to a person.",
        ),
        ("clear",): (
            f"Rule out {VERDICT_WORDS['clear']!r}:",
            f"It rules out {VERDICT_WORDS['clear']!r}.",
        ),
        ("cast",): (
            f"Rule out {VERDICT_WORDS['cast']!r}:",
            f"It rules out {VERDICT_WORDS['cast']!r}.",
        ),
        (): ("Rule out no verdict:", "It rules out no verdict."),
    }
)
"""Which verdicts a remark keeps a picture from: as a heading, and as a sentence."""
_CODE = 2 + max(map(len, REMARKS)) + 2


def _known(remark: str | None) -> str | None:
    if remark is None or remark in REMARKS:
        return remark
    near = difflib.get_close_matches(remark, REMARKS)
    listed = f"near it: {', '.join(near)}" if near else "autocast explain lists all"
    raise typer.BadParameter(f"{remark!r} is not a remark; {listed}.")


@app.command()
def explain(
    remark: Annotated[
        str | None,
        typer.Argument(
            metavar="REMARK", callback=_known, help="A remark's name; without it all are listed."
        ),
    ] = None,
) -> None:
    """Explain a remark: what it means, and what a person does about it.

    Remarks are the circumstances that a judgement names, the notes under judge
    --details; list --remark and JSON know them by these names. Without REMARK,
    all are listed with the verdicts they rule out.

    Exit codes: 0 explained; 2 the command was not understood.
    """
    lines = _all() if remark is None else _one(remark)
    typer.echo("\n".join(lines))


def _all() -> Iterator[str]:
    columns, _ = terminal()
    for keeps, (heading, _) in _KEEPS.items():
        yield heading
        for code, text in REMARKS.items():
            if text.keeps_from == keeps:
                yield from textwrap.wrap(
                    text.sentence,
                    columns,
                    initial_indent=f"  {code}".ljust(_CODE),
                    subsequent_indent=" " * _CODE,
                )
    yield "More on one: autocast explain REMARK"


def _one(remark: str) -> Iterator[str]:
    columns, _ = terminal()
    means, answer = EXPLAINED[remark]
    keeps = _KEEPS[REMARKS[remark].keeps_from][1]
    yield from textwrap.wrap(f"{remark}: {REMARKS[remark].sentence}", columns)
    for words in (keeps, f"When: {means}", f"What to do: {answer}"):
        yield from textwrap.wrap(
            words,
            columns,
            initial_indent="  ",
            subsequent_indent="    ",
            break_on_hyphens=False,
        )
