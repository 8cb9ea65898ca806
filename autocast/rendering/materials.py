"""What rendered scenes are made of: published spectra by material, and by half.

The studies are split in two halves that share no spectrum, so that scenes for
fitting and scenes for reporting can be made of different measurements. Where a
study is one measurement campaign it goes to one half as a whole; the simulated
canopies go in turns, the soils by the side of the ocean they were dug on.

Stand-ins, for which no measured spectrum is at hand (common practice, no
source): hair is bark, char and litter, darkened; snow is white sloping down
to the red so that it reads as ECOSTRESS snow does; water is a dark grey that
absorbs the red; black things are dark neutrals of a chart.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from autocast import colour as formulas
from autocast.rendering import spectra
from autocast.rendering.densities import TYPOLOGY_CUTS, linear_srgb, typology_angle
from autocast.rendering.spectra import Spectra

Array = NDArray[np.float64]

STUDIES: Mapping[str, tuple[str, ...]] = {
    "fit": (
        *("prosail/odd", "icraf-isric/west", "usgs", "chart", "cqs"),
        *(f"santa-barbara/{kind}" for kind in ("road", "sidewalk", "comp_shingle", "sand")),
        *(f"santa-barbara/{kind}" for kind in ("wood", "bark", "paint", "gravel")),
        *(f"issa/{origin}" for origin in (1, 2, 3, 4, 5, 9)),
    ),
    "report": (
        *("prosail/even", "icraf-isric/east", "joint-fire-science", "hyspiri"),
        *("pmc", "cie-tcs"),
        *(f"santa-barbara/{kind}" for kind in ("parking_lot", "asphalt", "bridge", "driveway")),
        *(f"santa-barbara/{kind}" for kind in ("concrete_tile", "tile", "wood_shingle", "dirt")),
        *(f"santa-barbara/{kind}" for kind in ("soil", "litter", "metal", "other")),
        *(f"issa/{origin}" for origin in (6, 7, 8, 10, 11)),
    ),
}
"""Studies by half."""

ITA_GROUPS = ("dark", "brown", "tan", "intermediate", "light", "very light")
"""Groups by individual typology angle, between the cut points TYPOLOGY_CUTS."""

FACE = ("cheek", "cheek bone", "chin", "forehead", "nose tip")
"""Body sites of the skin archive that a face shows."""

_MATERIALS: Mapping[str, tuple[str, ...]] = {
    "canopy": ("canopy",),
    "dry": ("litter", "npv"),
    "soil": ("soil", "dirt"),
    "road": ("road", "parking_lot", "asphalt"),
    "pavement": ("sidewalk", "bridge", "driveway"),
    "stone": ("gravel", "bridge", "sidewalk"),
    "roof": ("comp_shingle", "tile", "concrete_tile"),
    "wood": ("wood", "wood_shingle", "bark"),
    "char": ("char", "bark"),
    "metal": ("metal", "neutral"),
    "wall": ("paint", "driveway", "other", "tile"),
    "neutral": ("neutral",),
    "dye": ("dye",),
}
_LIKE_SAND = (50.0, 7.0, 22.0)
"""Least L*, greatest a* and b* of soils that stand in for sand: measured sand lies at 56, 2, 13
(project convention)."""

_NEUTRAL_PATCHES = ("white", "neutral", "black", "gray")
_PEOPLE_PATCHES = ("caucasian", "oriental", "south asian", "african", "pork")
"""Patches of a chart that stand for skin or meat; skin comes from measurements of skin alone."""
_SKIN_SAMPLES = ("TCS13", "TCS15")


@dataclass(frozen=True, slots=True, eq=False)
class Palette:
    """Spectra by material; ``skin`` are those of faces with their angle ``ita`` (degrees)."""

    studies: tuple[str, ...]
    by_material: Mapping[str, Spectra]
    skin: Spectra
    ita: Array

    def pair(self, rng: np.random.Generator, material: str) -> tuple[Array, set[str]]:
        """Two spectra (2, 39) of one material that are not far apart, and their studies."""
        data = self.by_material[material]
        kinds = np.unique(data.kind)
        # Each kind weighs alike, however many of it were measured.
        of = np.flatnonzero(data.kind == rng.choice(kinds))
        first = int(rng.choice(of))
        others = rng.choice(of, 8)
        apart = np.abs(data.reflectance[others] - data.reflectance[first]).mean(axis=1)
        second = int(others[np.argsort(apart)[1]])
        chosen = [first, second]
        return data.reflectance[chosen], set(data.study[chosen].tolist())

    def neutral(self, rng: np.random.Generator, low: float, high: float) -> tuple[Array, set[str]]:
        """A grey of a chart (2, 39) brought to a mean reflectance of ``low`` to ``high``."""
        data = self.by_material["neutral"]
        chosen = rng.integers(len(data), size=2)
        shape = data.reflectance[chosen].mean(axis=0)
        level = rng.uniform(low, high) * np.array([[1.0], [rng.uniform(0.85, 1.0)]])
        return shape / shape.mean() * level, set(data.study[chosen].tolist())

    def dye(self, rng: np.random.Generator, strength: float = 1.0) -> tuple[Array, set[str]]:
        """A colour (2, 39): two dyed samples mixed, and white below full ``strength``."""
        data = self.by_material["dye"]
        chosen = rng.integers(len(data), size=3)
        colour = data.reflectance[chosen]
        share = strength * rng.uniform(0.75, 1.0)
        mixed = share * colour[0] + (1 - share) * rng.uniform(0.1, 0.8)
        second = 0.8 * mixed + 0.2 * colour[1] * rng.uniform(0.6, 1.0)
        return np.array([mixed, second]), set(data.study[chosen[:2]].tolist())

    def face(self, rng: np.random.Generator, group: str | None) -> tuple[Array, set[str], float]:
        """Two spectra (2, 39) of faces of one angle, their study, and the first one's angle."""
        number = rng.integers(len(ITA_GROUPS)) if group is None else ITA_GROUPS.index(group)
        of = np.flatnonzero(np.digitize(self.ita, TYPOLOGY_CUTS) == number)
        first = int(rng.choice(of))
        same = of[self.skin.study[of] == self.skin.study[first]]
        near = same[np.argsort(np.abs(self.ita[same] - self.ita[first]), kind="stable")[:12]]
        pair = [first, int(rng.choice(near))]
        return self.skin.reflectance[pair], {str(self.skin.study[first])}, float(self.ita[first])


def palette(studies: Collection[str]) -> Palette:
    """The spectra of these studies. Raises ValueError for an unknown study."""
    return _palette(tuple(sorted(studies)))


@cache
def _palette(studies: tuple[str, ...]) -> Palette:
    every = every_spectrum()
    unknown = set(studies) - set(every.study.tolist())
    if unknown:
        raise ValueError(f"no study is called {', '.join(sorted(unknown))}")
    data = every.taken(np.isin(every.study, studies))
    faces = data.of(*FACE)
    by_material = {name: data.of(*kinds) for name, kinds in _MATERIALS.items()}
    by_material["sand"] = _sand(data.of("soil", "dirt", "sand"))
    missing = [name for name, some in by_material.items() if not len(some)]
    if missing or not len(faces):
        raise ValueError(f"no spectra are left for {', '.join(missing) or 'skin'}")
    return Palette(studies, by_material, faces, typology_angle(linear_srgb(faces.reflectance)))


def _sand(ground: Spectra) -> Spectra:
    lab = formulas.linear_to_lab(linear_srgb(ground.reflectance))
    light, a, b = _LIKE_SAND
    return ground.taken((lab[:, 0] > light) & (lab[:, 1] < a) & (lab[:, 2] < b))


@cache
def every_spectrum() -> Spectra:
    """All spectra of both halves.

    Chart patches are of kind ``neutral`` or ``dye``; skin is of the kind of its body site.
    """
    skin = spectra.skin()
    parts = [spectra.earth(), Spectra(spectra.skin_site(), skin.study, skin.reflectance)]
    for some, name in (
        (spectra.chart(), "chart"),
        (spectra.saturated_samples(), "cqs"),
        (spectra.chart("PMC"), "pmc"),
        (spectra.cie_samples(), "cie-tcs"),
    ):
        lower = np.char.lower(some.kind)
        grey = np.array([patch.startswith(_NEUTRAL_PATCHES) for patch in lower.tolist()])
        people = np.isin(lower, _PEOPLE_PATCHES) | np.isin(some.kind, _SKIN_SAMPLES)
        skin_like = np.isin(lower, ("dark skin", "light skin"))
        kind = np.where(grey, "neutral", "dye")
        named = Spectra(kind, np.full(len(kind), name), some.reflectance)
        parts.append(named.taken(~(people | skin_like)))
    return spectra.join(parts)


def snow(rng: np.random.Generator) -> Array:
    """Reflectances (2, 39) of snow: a* -0.7 to -0.2, b* -0.5 to -0.1 (ECOSTRESS) or nearly."""
    slope = rng.uniform(0.01, 0.04)
    fall = (spectra.WAVELENGTHS - 400) / 380
    level = rng.uniform(0.90, 0.98)
    return np.array([level - slope * fall**2, 0.97 * level - slope * fall**2])


def water(rng: np.random.Generator) -> Array:
    """Reflectances (2, 39) of open water: dark, least in the red."""
    edge = rng.uniform(540, 600)
    falls = 1 / (1 + np.exp((spectra.WAVELENGTHS - edge) / 25))
    return np.array(
        [0.02 + rng.uniform(0.03, 0.10) * falls, 0.03 + rng.uniform(0.02, 0.06) * falls]
    )
