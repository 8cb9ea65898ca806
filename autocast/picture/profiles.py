"""How the numbers of a file become sRGB: profiles, colour tags, and what is assumed."""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.colour import (
    D65_WHITE,
    RGB_TO_XYZ,
    SRGB_PRIMARIES,
    XYZ_TO_RGB,
    linear_to_srgb,
    srgb_to_linear,
)

Floats = NDArray[np.float32]
Array = NDArray[np.float64]
Space = Literal["GRAY", "RGB", "CMYK", "LAB"]
Chromaticities = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Tag:
    """Colour by the file's own tags, without a profile.

    ``primaries`` and ``white`` are CIE x, y; ``gamma`` is the exponent that decodes to
    linear light, None the sRGB curve. ``label`` says where it was read.
    """

    label: str
    primaries: Chromaticities = SRGB_PRIMARIES
    white: tuple[float, float] = D65_WHITE
    gamma: float | None = None

    @property
    def plain(self) -> bool:
        """True where it says no more than sRGB."""
        return (self.primaries, self.white, self.gamma) == (SRGB_PRIMARIES, D65_WHITE, None)


class Coding(NamedTuple):
    """How a file holds colour: what :func:`to_srgb` asks beside the values."""

    space: Space
    icc: bytes | None
    tag: Tag | None
    certain: bool


class Reading:
    """Pixels as sRGB, encoded and linear (H, W, 3), and how their numbers were read.

    One of the two is given; the other is worked out when it is first asked for.
    """

    def __init__(
        self,
        profile: str,
        remarks: tuple[str, ...],
        *,
        encoded: Floats | None = None,
        linear: Floats | None = None,
    ) -> None:
        self.profile = profile
        self.remarks = remarks
        self._encoded, self._linear = encoded, linear

    # No cached_property: until Python 3.12 all threads wait at one lock of its, and a process that
    # is forked meanwhile waits for ever.

    @property
    def encoded(self) -> Floats:
        """sRGB-encoded, unclipped."""
        if self._encoded is None:
            self._encoded = linear_to_srgb(self.linear).astype(np.float32)
        return self._encoded

    @property
    def linear(self) -> Floats:
        """Linear sRGB, unclipped."""
        if self._linear is None:
            self._linear = srgb_to_linear(self.encoded).astype(np.float32)
        return self._linear


EXIF_SRGB = Tag("EXIF colour space")
# DCF 2.0 (CIPA DC-009): the optional colour space, named by EXIF ColorSpace "uncalibrated"
# with InteroperabilityIndex "R03". Its primaries and its exponent 563/256 are those of
# opRGB, IEC 61966-2-5:2007 (from memory, not verified).
DCF_OPTIONAL = Tag(
    "EXIF colour space, DCF optional (opRGB)",
    primaries=((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
    gamma=563 / 256,
)

# ITU-T H.273, table 2: code point -> name and chromaticities; the white is D65.
_PRIMARIES: dict[int, tuple[str, Chromaticities]] = {
    1: ("BT.709", SRGB_PRIMARIES),
    5: ("BT.470 BG", ((0.64, 0.33), (0.29, 0.60), (0.15, 0.06))),
    6: ("BT.601", ((0.63, 0.34), (0.31, 0.595), (0.155, 0.07))),
    9: ("BT.2020", ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))),
    12: ("P3", ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06))),
}
# H.273, table 3: code point -> exponent, None the sRGB curve. The camera curve of BT.709 and
# its kin (1, 6, 14, 15) is shown by viewers of stills as sRGB and read so here (common
# practice, no source).
_TRANSFERS: dict[int, float | None] = {
    **dict.fromkeys((1, 6, 13, 14, 15)),
    4: 2.2,
    5: 2.8,
    8: 1.0,
}
HDR_TRANSFERS = {16: "PQ", 18: "HLG"}
"""H.273 transfers whose values are not relative to a white that a picture holds."""


def tag_from_code_points(where: str, primaries: int, transfer: int) -> Tag | None:
    """What code points of ITU-T H.273 mean.

    Parameters
    ----------
    where : str
        Where they were read, for the label.
    primaries : int
        ColourPrimaries, by table 2.
    transfer : int
        TransferCharacteristics, by table 3.

    Returns
    -------
    Tag or None
        None where they are unspecified or unknown.

    References
    ----------
    ITU-T H.273, tables 2 and 3.
    """
    if primaries not in _PRIMARIES or transfer not in _TRANSFERS:
        return None
    name, chromaticities = _PRIMARIES[primaries]
    gamma = _TRANSFERS[transfer]
    curve = "" if gamma is None else f", exponent {gamma:g}"
    return Tag(f"{where}, {name} primaries{curve}", chromaticities, D65_WHITE, gamma)


def tag_from_png(gama: bytes | None, chrm: bytes | None) -> Tag:
    """The colour of PNG's gAMA and cHRM.

    Parameters
    ----------
    gama : bytes or None
        The gAMA chunk; a missing one is taken as that of sRGB.
    chrm : bytes or None
        The cHRM chunk; a missing one is taken as that of sRGB.

    Returns
    -------
    Tag
        Exponent, white point and primaries.
    """
    gamma, white, primaries = None, D65_WHITE, SRGB_PRIMARIES
    if gama is not None:
        stored = struct.unpack(">I", gama)[0]
        # 45455 is what the standard has sRGB writers put there; the sRGB curve is meant.
        gamma = None if stored in (0, 45455) else 100_000 / stored
    if chrm is not None:
        x = [v / 100_000 for v in struct.unpack(">8I", chrm)]
        if all(y > 0 for y in x[1::2]):
            white = (x[0], x[1])
            primaries = ((x[2], x[3]), (x[4], x[5]), (x[6], x[7]))
    return Tag("PNG gAMA and cHRM", primaries, white, gamma)


def to_srgb(
    values: Floats, space: Space, icc: bytes | None, tag: Tag | None, *, certain: bool
) -> Reading:
    """Read values of a space as sRGB.

    Parameters
    ----------
    values : (H, W, C) ndarray of float32
        0..1, or L*, a*, b*.
    space : str
        ``GRAY``, ``RGB``, ``CMYK`` or ``LAB``.
    icc : bytes or None
        An embedded profile, which goes before the tag.
    tag : Tag or None
        What the file's own tags say.
    certain : bool
        Are values without either sRGB for sure, so that this needs no remark?

    Returns
    -------
    Reading
        sRGB, encoded and linear (H, W, 3), unclipped.
    """
    broken: tuple[str, ...] = ()
    if icc is not None:
        reading = _by_profile(values, space, icc)
        if reading is not None:
            return reading
        broken = ("broken_profile",)
    if space == "LAB":
        return Reading("CIELAB", broken, linear=_transform(values, "LAB", _lab_profile()))
    if space == "CMYK":
        encoded = (1 - values[..., :3]) * (1 - values[..., 3:])
        remarks = (*broken, "cmyk_without_profile")
        return Reading("CMYK without a profile, plain conversion", remarks, encoded=encoded)
    rgb = np.repeat(values, 3, axis=-1) if space == "GRAY" else values
    if broken or tag is None:
        remarks = broken or (() if certain else ("no_profile",))
        return Reading("sRGB assumed", remarks, encoded=rgb)
    if tag.plain:
        return Reading("sRGB by the file's tag", (), encoded=rgb)
    label = f"by the file's tag: {tag.label}"
    return Reading(label, ("tagged",), linear=_by_tag(rgb, tag))


# --- tags ------------------------------------------------------------------


def _by_tag(encoded: Floats, tag: Tag) -> Floats:
    """Linear light by the tag's curve, then by matrix to the primaries of sRGB."""
    light = srgb_to_linear(encoded) if tag.gamma is None else encoded.astype(float) ** tag.gamma
    return (light @ _matrix_to_srgb(tag).T).astype(np.float32)


# Lam (1985), the Bradford cone responses, as given in ICC.1:2022, annex E.
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)


def _matrix_to_srgb(tag: Tag) -> Array:
    """Linear RGB of a tag to linear sRGB, its white adapted to D65."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in tag.primaries]).T
    x, y = tag.white
    matrix = columns * np.linalg.solve(columns, np.array([x / y, 1.0, (1 - x - y) / y]))
    gains = (_BRADFORD @ RGB_TO_XYZ.sum(axis=1)) / (_BRADFORD @ matrix.sum(axis=1))
    adapted = np.linalg.solve(_BRADFORD, gains[:, None] * (_BRADFORD @ matrix))
    return np.asarray(XYZ_TO_RGB @ adapted, dtype=np.float64)


# --- profiles --------------------------------------------------------------

_SIGNATURES: dict[Space, bytes] = {
    "GRAY": b"GRAY",
    "RGB": b"RGB ",
    "CMYK": b"CMYK",
    "LAB": b"Lab ",
}
_CLASSES = (b"mntr", b"scnr", b"prtr", b"spac")
_RELATIVE_COLORIMETRIC = 1
_BLACK_POINT_COMPENSATION = 0x2000
_HALF_A_CODE = 0.5 / 255
_MOST_LIGHT = 1000.0
"""Linear light, white at 1, that no sound profile makes of a picture (project convention)."""
_KEPT = 4
"""Profiles of which it is kept what was found: most archives hold few (project convention)."""
# Corners and steps of the RGB cube, to see whether a profile is that of sRGB.
_PROBE = np.stack(np.meshgrid(*[np.linspace(0, 1, 9)] * 3), axis=-1).reshape(27, 27, 3)


def _by_profile(values: Floats, space: Space, icc: bytes) -> Reading | None:
    """The reading by an embedded profile; None where that cannot be used.

    A profile that moves no colour of the cube by half an 8-bit code is that of
    sRGB in one of its many editions: the values then stay as they are, which is
    exact and quick.
    """
    if icc[36:40] != b"acsp" or icc[12:16] not in _CLASSES or icc[16:20] != _SIGNATURES[space]:
        return None
    from imagecodecs import CmsError

    try:
        if space == "RGB" and _is_srgb(icc):
            return Reading(_profile_text(icc), (), encoded=values)
        linear = _transform(values, space, icc)
    except CmsError:
        return None
    sound = bool((np.abs(linear) < _MOST_LIGHT).all())  # nor NaN
    return Reading(_profile_text(icc), (), linear=linear) if sound else None


@lru_cache(maxsize=_KEPT)
def _is_srgb(icc: bytes) -> bool:
    """Whether a profile of RGB is that of sRGB. Raises CmsError."""
    probed = linear_to_srgb(_transform(_PROBE.astype(np.float32), "RGB", icc))
    return bool(np.abs(probed - _PROBE).max() < _HALF_A_CODE)


def _transform(values: Floats, space: Space, icc: bytes) -> Floats:
    """Values to linear sRGB by LittleCMS, in floats, which leaves wide colours unclipped."""
    import imagecodecs

    linear_srgb = imagecodecs.cms_profile(
        "rgb",
        whitepoint=D65_WHITE,
        primaries=[v for xy in SRGB_PRIMARIES for v in xy],
        gamma=1.0,
    )
    data: NDArray[Any] = values
    if space == "GRAY":
        data = values[..., 0]
    elif space == "CMYK":
        data = values * np.float32(100)  # LittleCMS counts ink in percent
    out = imagecodecs.cms_transform(
        np.ascontiguousarray(data),
        icc,
        linear_srgb,
        colorspace=space.lower(),
        outcolorspace="rgb",
        outdtype="float32",
        intent=_RELATIVE_COLORIMETRIC,
        flags=_BLACK_POINT_COMPENSATION,
    )
    return np.asarray(out, dtype=np.float32)


def _lab_profile() -> bytes:
    from PIL import ImageCms

    return ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()


@lru_cache(maxsize=_KEPT)
def _profile_text(icc: bytes) -> str:
    from PIL import ImageCms

    try:
        name = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(icc)))
    except (ImageCms.PyCMSError, OSError):
        name = ""
    name = " ".join(name.split())[:80]
    return f"embedded profile: {name or 'unnamed'}"


# --- the file's own RGB ----------------------------------------------------

CURVE_NODES = 4097
"""Nodes of a channel's curve to linear light (project convention)."""
_PLAIN_WITHIN = 0.004
"""Largest error, sRGB-encoded, at which a profile counts as plain: one 8-bit code."""


@dataclass(frozen=True, slots=True, eq=False)
class RgbSpace:
    """An RGB whose channels each have a curve to linear light, and a matrix to linear sRGB.

    ``curves`` 3 x N are rising, from 0 to 1, over evenly spaced encoded values;
    ``matrix`` takes its linear light to linear sRGB, grey to grey.
    """

    curves: Array
    matrix: Array
    label: str

    @property
    def luminance(self) -> Array:
        """Weights of linear light that give luminance.

        Returns
        -------
        (3,) ndarray
            Of sum 1: Y of white = 1.
        """
        return np.asarray(RGB_TO_XYZ[1] @ self.matrix, dtype=np.float64)

    def decode(self, encoded: NDArray[np.floating[Any]]) -> Array:
        """Decode values to the space's own linear light.

        Parameters
        ----------
        encoded : (..., 3) ndarray
            Encoded RGB, held to 0..1.

        Returns
        -------
        (..., 3) ndarray
            Linear light, 0..1.
        """
        nodes = np.linspace(0.0, 1.0, self.curves.shape[1])
        return np.stack([np.interp(encoded[..., c], nodes, self.curves[c]) for c in range(3)], -1)

    def encode(self, linear: NDArray[np.floating[Any]]) -> Array:
        """Encode the space's own linear light; the inverse of :meth:`decode`.

        Parameters
        ----------
        linear : (..., 3) ndarray
            Linear light, held to 0..1.

        Returns
        -------
        (..., 3) ndarray
            Encoded RGB, 0..1.
        """
        nodes = np.linspace(0.0, 1.0, self.curves.shape[1])
        return np.stack([np.interp(linear[..., c], self.curves[c], nodes) for c in range(3)], -1)

    def to_linear_srgb(self, encoded: NDArray[np.floating[Any]]) -> Array:
        """Convert values to linear sRGB.

        Parameters
        ----------
        encoded : (..., 3) ndarray
            Encoded RGB, held to 0..1.

        Returns
        -------
        (..., 3) ndarray
            Linear sRGB, white = 1, unclipped.
        """
        return np.asarray(self.decode(encoded) @ self.matrix.T, dtype=np.float64)


def srgb_space() -> RgbSpace:
    """The space sRGB itself.

    Returns
    -------
    RgbSpace
        With :data:`CURVE_NODES` nodes a channel.

    References
    ----------
    IEC 61966-2-1:1999.
    """
    curve = srgb_to_linear(np.linspace(0.0, 1.0, CURVE_NODES))
    return RgbSpace(np.stack([curve] * 3), np.eye(3), "sRGB")


def rgb_space(icc: bytes | None, tag: Tag | None, *, certain: bool) -> RgbSpace | None:
    """The file's own RGB as curves and a matrix.

    Parameters
    ----------
    icc : bytes or None
        An embedded profile, which goes before the tag.
    tag : Tag or None
        What the file's own tags say.
    certain : bool
        As for :func:`to_srgb`.

    Returns
    -------
    RgbSpace or None
        None where curves and a matrix miss it by more than an 8-bit code.
    """
    ramp = np.zeros((3, CURVE_NODES, 3), dtype=np.float32)
    for c in range(3):
        ramp[c, :, c] = np.linspace(0.0, 1.0, CURVE_NODES)
    read = to_srgb(ramp, "RGB", icc, tag, certain=certain)
    tops = read.linear[:, -1].astype(np.float64)
    along = np.einsum("cnk,ck->cn", read.linear, tops) / np.maximum((tops**2).sum(1), 1e-9)[:, None]
    curves = np.maximum.accumulate(np.clip(along, 0, None), axis=1)
    if (curves[:, -1] <= 0).any() or (curves[:, 0] > 0.01).any():
        return None
    # A flat stretch has no inverse: the least slope is far below half a 16-bit code.
    curves = curves / curves[:, -1:] + np.linspace(0, 1e-9, CURVE_NODES)
    space = RgbSpace(curves / curves[:, -1:], tops.T, read.profile)
    probe = _PROBE.astype(np.float32)
    truth = to_srgb(probe, "RGB", icc, tag, certain=certain).encoded
    off = np.abs(linear_to_srgb(space.to_linear_srgb(probe)) - truth).max()
    return space if off <= _PLAIN_WITHIN else None
