"""The small map of regions: where things lie on it, and that it comes back as it was written."""

from __future__ import annotations

import base64
import json
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from autocast.archive.ledger import Ledger
from autocast.archive.regions import LEFT_OUT, SIDE, read, regions_of, written
from autocast.archive.rows import Entry
from autocast.archive.work import judged
from autocast.errors import LedgerError
from autocast.judging import examine
from autocast.modelstore import default_models
from tests import photographs


def test_what_lies_on_a_picture_lies_there_on_its_map() -> None:
    regions = regions_of(examine(photographs.pixels("china"), explain=False))
    assert max(regions.cells.shape) == SIDE
    named = np.array(regions.names)[regions.cells]
    # The temple's sky is grey: what is above it is taken for nothing that lies below it.
    rows = named.shape[0]
    assert (named[: rows // 4] == "vegetation").mean() < 0.05
    assert (named[rows // 2 :] == "vegetation").mean() > 0.1


def test_a_border_that_was_cut_away_is_left_out() -> None:
    pixels = photographs.pixels("china")
    rows, columns = pixels.shape[:2]
    framed = np.full((rows + 200, columns + 200, 3), 255, dtype=np.uint8)
    framed[100:-100, 100:-100] = pixels
    regions = regions_of(examine(framed, explain=False))
    out = regions.cells == regions.names.index(LEFT_OUT)
    assert out[0].all()
    assert out[:, 0].all()
    middle = tuple(n // 2 for n in out.shape)
    assert not out[middle[0] - 2 : middle[0] + 2, middle[1] - 2 : middle[1] + 2].all()


def test_a_map_comes_back_as_it_was_written_and_is_small() -> None:
    regions = regions_of(examine(photographs.pixels("flower"), explain=False))
    text = written(regions)
    back = read(text, "a.jpg")
    assert back.names == regions.names
    assert (back.cells == regions.cells).all()
    assert len(text) < 1000


def test_a_ledger_keeps_the_map_of_what_was_judged(tmp_path: Path) -> None:
    place = tmp_path / "a.png"
    Image.fromarray(photographs.pixels("flower")[:120, :160]).save(place)
    outcome = judged(Entry(bytes(place), 1, 1), default_models())
    with Ledger.write(tmp_path / "a.ledger") as ledger:
        ledger.record([outcome])
        row = ledger.row(1)
    assert row.regions is not None
    assert max(read(row.regions, "a.jpg").cells.shape) == SIDE


SOUND = {"names": ["sky", "else"], "rows": 1, "columns": 2, "cells": "eNpjYAQAAAMAAg=="}


def test_what_is_no_map_is_one_sentence() -> None:
    assert read(json.dumps(SOUND), "a.jpg").cells.tolist() == [[0, 1]]
    packed = base64.b64encode(zlib.compress(bytes(10**6))).decode()
    changes: list[dict[str, object]] = [
        {"names": ["sky"]},
        {"names": 3},
        {"rows": 2},
        {"rows": "x"},
        {"rows": 10**9},
        {"cells": "eJxjYAQ"},
        {"cells": None},
        {"cells": packed},
    ]
    for text in ("", "7", "[]", "[" * 90_000, *(json.dumps({**SOUND, **each}) for each in changes)):
        with pytest.raises(LedgerError, match=r"map of a\.jpg is damaged; judge it again"):
            read(text, "a.jpg")
