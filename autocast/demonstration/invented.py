"""Makes the files of the invented archive that ``demo/archive.toml`` describes."""

from __future__ import annotations

import io
import os
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageDraw

from autocast.demonstration import scenes
from autocast.errors import OutputError
from autocast.picture.writing import write_whole

# Photographs that installed packages carry: scikit-learn's are CC BY 2.0 (danielbuechele and
# vultilion), scikit-image's public domain or CC0, as the files beside them say.
PHOTOGRAPHS = {
    "china": "sklearn/datasets/images/china.jpg",
    "flower": "sklearn/datasets/images/flower.jpg",
    "astronaut": "skimage/data/astronaut.png",
    "chelsea": "skimage/data/chelsea.png",
    "coffee": "skimage/data/coffee.png",
    "rocket": "skimage/data/rocket.jpg",
}

_MAKE, _MODEL, _EXIF, _TAKEN = 0x010F, 0x0110, 0x8769, 0x9003  # EXIF 2.32


@dataclass(frozen=True, slots=True)
class Made:
    """One file, what is known of it, and the cast (a*, b*) that was laid over it, if one was."""

    path: bytes
    kind: str
    cast: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class _File:
    """One file to make: its name, its content when it is wanted, and what is known."""

    name: str
    content: Callable[[], bytes]
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
    for name in ("colour", "earthlib", "jinja2", "skimage", "sklearn"):
        if find_spec(name) is None:
            raise OutputError(
                f"The demonstration needs the package {name}; install it with "
                "pip install 'autocast[demo]'."
            )


def make(to: Path, step: Callable[[int, int], None]) -> list[Made]:
    """Write every file of the archive below ``to``."""
    plan = [
        (each, file)
        for number, each in enumerate(described()["set"])
        for file in _files(each, number)
    ]
    made = []
    for done, (each, file) in enumerate(plan, 1):
        place = to / each["folder"] / file.name
        place.parent.mkdir(parents=True, exist_ok=True)
        write_whole(place, file.content())
        made.append(Made(os.fsencode(place.resolve()), each["kind"], file.cast))
        step(done, len(plan))
    return made


def _files(each: dict[str, Any], number: int) -> Iterator[_File]:
    if "photographs" in each:
        yield from _photographs(each)
    elif "drawings" in each:
        yield _File("plan-of-the-quay.png", _drawing)
    elif "damaged" in each:
        yield from _damaged()
    else:
        yield from _scenes(each, number)


def _scenes(each: dict[str, Any], number: int) -> Iterator[_File]:
    things = each.get("things", [None])
    names = each.get("scenes") or [each["scene"]] * max(each.get("count", 0), len(things))
    things = things if "things" in each else [None] * len(names)
    tones = each.get("tones", [None] * len(names))
    light = each.get("light", "D65")
    cast = tuple(each["cast"]) if "cast" in each else None
    if cast is None and each["kind"] == "known cast":
        cast = scenes.neutral_under(light)
    for k, (name, thing, tone) in enumerate(zip(names, things, tones, strict=True)):
        seed = 100 * number + k

        draw = partial(_scene, each, name, thing, tone, seed)
        yield _File(f"{name}-{seed:04d}.jpg", draw, cast)


def _scene(
    each: dict[str, Any],
    name: str,
    thing: str | None,
    tone: tuple[float, float] | None,
    seed: int,
) -> bytes:
    light = each.get("light", "D65")
    if "second_light" in each:
        linear = scenes.two_lights(name, seed, light, each["second_light"])
    else:
        linear = scenes.scene(name, seed, light, thing)
    if "cast" in each:
        linear = scenes.under(linear, each["cast"])
    codes = scenes.developed(linear, seed) if tone is None else scenes.toned(linear, tone)
    return _jpeg(codes, each["camera"], seed)


def _photographs(each: dict[str, Any]) -> Iterator[_File]:
    for name in each["photographs"]:
        if "casts" not in each:
            yield _File(f"{name}.jpg", partial(_copy, name, None))
        for number, cast in enumerate(each.get("casts", ()), 1):
            yield _File(f"{name}-copy-{number}.jpg", partial(_copy, name, cast), tuple(cast))


def _copy(name: str, cast: tuple[float, float] | None) -> bytes:
    """A packaged photograph as it comes, or a little darker and under a cast."""
    if cast is None:
        return _jpeg(_photograph(name))
    return _jpeg(scenes.encoded(scenes.under(scenes.linear_of(_photograph(name)) * 0.85, cast)))


def _damaged() -> Iterator[_File]:
    whole = io.BytesIO()
    Image.effect_noise((400, 300), 60).convert("RGB").save(whole, "JPEG")
    yield _File("cut-short.jpg", lambda: whole.getvalue()[:900])
    png = io.BytesIO()
    Image.new("RGB", (300, 200), (120, 130, 110)).save(png, "PNG")
    yield _File("torn.png", lambda: png.getvalue()[:-60])
    yield _File("empty.jpg", lambda: b"")


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


def _jpeg(codes: NDArray[np.uint8], camera: str | None = None, number: int = 0) -> bytes:
    exif = Image.Exif()
    if camera is not None:
        exif[_MAKE], _, exif[_MODEL] = camera.partition(" ")
        exif.get_ifd(_EXIF)[_TAKEN] = f"1999:05:{1 + number // 100:02d} 10:{number % 60:02d}:00"
    out = io.BytesIO()
    Image.fromarray(codes).save(out, "JPEG", quality=92, exif=exif, icc_profile=_srgb())
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
