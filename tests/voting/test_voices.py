"""Voices: which features name a cast, and what a gate is told of them."""

from __future__ import annotations

import numpy as np
import pytest

from autocast.judgement.things import CLASSES, JOINT, TREES
from autocast.modelstore import TARGETS, default_models
from autocast.voting.features import dictionary
from autocast.voting.fitted import weighted
from autocast.voting.voices import COLOURS, FARTHEST, gate_inputs, voice_layout, voices_of

NAMES = ("joint.a", "joint.b", "sky.reads.a", "sky.reads.b", "neutrals.reads.a", "neutrals.reads.b",
         "scene.lightness")  # fmt: skip


def test_every_cast_among_the_features_is_a_voice_and_no_colour_is() -> None:
    names = default_models().estimator.features
    layout = voice_layout(names)
    casts = {each.cast for each in dictionary().values() if each.axis} - COLOURS
    assert set(layout.names[: -len(TARGETS)]) == casts
    assert layout.kinds[-len(TARGETS) :] == (TREES,) * len(TARGETS)
    assert {"statistics", JOINT, *CLASSES} - set(layout.kinds) <= {"sky", "vegetation", "skin"}
    for name, (a, b) in zip(layout.names, layout.columns, strict=False):
        assert (names[a], names[b]) == (f"{name}.a", f"{name}.b")


def test_what_sky_reads_is_no_cast() -> None:
    assert voice_layout(NAMES).names[:2] == ("joint", "neutrals.reads")


def test_a_gate_is_told_where_voices_lie_about_the_anchor_and_which_are_silent() -> None:
    features = np.array([[6.0, 2.0, -3.0, -20.0, np.nan, np.nan, 50.0]])
    trees = np.full((1, 4, 2), 1000.0)
    voices = voices_of(NAMES, features, trees)
    assert voices.shape == (1, 6, 2)
    inputs, silent = gate_inputs(NAMES, features, np.array([[2.0, -1.0]]), voices)
    assert silent.tolist() == [[False, True, False, False, False, False]]
    assert inputs[0, 0] == 50.0
    assert inputs[0, 1] == pytest.approx(np.log1p(5.0))
    said = inputs[0, 13:].reshape(6, 2)
    assert said[0] == pytest.approx([0.4, 0.3])
    assert said[1] == pytest.approx([0.0, 0.0])
    assert (said[2:] == FARTHEST).all()


def test_the_estimate_is_the_weighted_mean_and_the_scatter_that_about_it() -> None:
    voices = np.array([[[4.0, 0.0], [0.0, 2.0], [np.nan, np.nan]]])
    weights = np.array([[[0.5, 0.5, 0.0], [1.0, 0.0, 0.0]]])
    casts, scatter = weighted(voices, weights)
    assert casts[0] == pytest.approx(np.array([[2.0, 1.0], [4.0, 0.0]]))
    assert scatter[0] == pytest.approx([np.sqrt(5.0), 0.0])
