"""What the picture seems to show, as named numbers.

The network's values are held to its makers' in tests/published/test_network.py.
"""

from __future__ import annotations

import pytest
from skimage import data

from autocast.judgement.things import CONTENT
from autocast.modelstore import default_models
from autocast.picture import open_picture
from autocast.segmentation.content import CHANNELS, see


def test_every_channel_has_a_name() -> None:
    names = list(see(open_picture(data.rocket()), default_models().network))
    assert names == [f"{CONTENT}.{k:03d}" for k in range(CHANNELS)]


def test_a_picture_and_its_mirror_show_the_same() -> None:
    picture, network = data.astronaut(), default_models().network
    one, other = (see(open_picture(p), network) for p in (picture, picture[:, ::-1]))
    assert list(one.values()) == pytest.approx(list(other.values()), abs=1e-3)
