"""What a picture seems to show, as a network trained on everyday photographs sees it.

A field of flowers, a sunset and a cardboard box may read like a cast; features
of colour cannot name them. The first eleven blocks of EfficientNet-Lite0 (the
network of Tan & Le, ICML 2019, without what small processors lack), trained by
others on ImageNet (Russakovsky et al., IJCV 2015), show what such things have in
common. They cast no vote and know nothing of casts: the last stage of trees
(:mod:`autocast.voting.fitted`) learns from judged photographs what is believable in
such company. ``models/CARD.md`` says where the weights come from.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from autocast.judgement.things import CONTENT
from autocast.modelstore.network import Network, activations
from autocast.picture import Picture

Floats = NDArray[np.float32]

SIDE = 128
"""Pixels to a side of what the network sees, the frame squeezed square (chosen on the tuning
photographs: larger tells little more and costs the square)."""
CHANNELS = 112
"""Channels of the last block that is kept."""
CENTRE, SCALE = 127.0, 128.0
"""What the network was trained with: values of 0..255 less 127, over 128."""


def see(picture: Picture, network: Network) -> dict[str, float]:
    """Mean activation of each of the network's last channels.

    The lighter half is laid to the left, so that a picture and its mirror give the same.

    Parameters
    ----------
    picture : Picture
        Its working pixels are looked at, transparent ones included.
    network : Network
        The kept blocks.

    Returns
    -------
    dict of str to float
        Means over the frame, named ``content.000`` to ``content.111``; without unit.
    """
    seen = _seen(picture)
    across = seen.mean(axis=(0, 2))
    if across[: SIDE // 2].sum() < across[SIDE // 2 :].sum():
        seen = seen[:, ::-1]
    means = activations(network, seen).mean(axis=(0, 1))
    return {f"{CONTENT}.{k:03d}": float(value) for k, value in enumerate(means)}


def _seen(picture: Picture) -> Floats:
    """The picture (SIDE, SIDE, 3), its values as those the network was trained on."""
    values = np.round(255 * np.clip(picture.encoded, 0, 1)).astype(np.uint8)
    small = Image.fromarray(values).resize((SIDE, SIDE), Image.Resampling.BILINEAR)
    return (np.asarray(small, dtype=np.float32) - CENTRE) / SCALE
