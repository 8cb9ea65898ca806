"""Class densities made anew from the spectra."""

from __future__ import annotations

import numpy as np
import pytest

from autocast import colour as formulas
from autocast.rendering import densities as render, spectra
from tests.densities import FILE, KINDS


@pytest.mark.slow
def test_the_file_is_what_the_spectra_give_today() -> None:
    # The kept file and a fresh one may differ by the rounding of another machine, no more.
    fresh = render.build()
    assert np.abs(fresh["log_density"] - FILE["log_density"]).max() < 0.02
    assert np.abs(fresh["lightness"] - FILE["lightness"]).max() < 0.02


@pytest.mark.slow
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


def test_holding_out_names_what_it_cannot_do() -> None:
    with pytest.raises(ValueError, match="no study is called nowhere"):
        render.build(hold_out=["nowhere"])
    with pytest.raises(ValueError, match="no spectra are left for pavement"):
        render.build(hold_out=["santa-barbara"])
