"""What opening and copying pictures takes of memory, beside what is told before. A script, no test.

    python tests/studies/memory.py [--megapixels 1 24 100 ...] [--noisy] [--memory MB]

Pictures of every kind are made, smooth or noisy, and each is opened, and copied where copies
are written, in a process of its own. Printed are the megabytes that were told, those that its
peak rose by (proc(5)), and their quotient: above 1.1 too little was told.
"""

# ruff: noqa: T201 -- it prints what it found

from __future__ import annotations

import argparse
import io
import math
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from autocast.errors import PictureTooLarge  # noqa: E402
from autocast.picture import budget, copycost, copying, decoding, open_picture  # noqa: E402

Codes = NDArray[np.uint8]


def codes(megapixels: float, *, noisy: bool) -> Codes:
    """A smooth picture of 3 : 2, with a sensor's noise where that is wanted."""
    width = round(math.sqrt(1.5e6 * megapixels))
    height = round(1e6 * megapixels / width)
    out = np.empty((height, width, 3), np.uint8)
    out[..., 0] = np.linspace(50, 200, height)[:, None]
    out[..., 1] = np.linspace(50, 200, width)
    out[..., 2] = 128
    if noisy:
        out += np.random.default_rng(1).integers(0, 40, out.shape, dtype=np.uint8)
    return out


def by_pillow(kind: str, **options: Any) -> Callable[[Codes], bytes]:  # noqa: ANN401 -- Pillow's
    """Files of one kind."""

    def made(values: Codes) -> bytes:
        file = io.BytesIO()
        Image.fromarray(values).save(file, kind, **options)
        return file.getvalue()

    return made


def by_tifffile(bits: int, **options: Any) -> Callable[[Codes], bytes]:  # noqa: ANN401
    """TIFF of one kind."""

    def made(values: Codes) -> bytes:
        file = io.BytesIO()
        deep = values if bits == 8 else values.astype(np.uint16) * 257
        tifffile.imwrite(file, deep, photometric="rgb", **options)
        return file.getvalue()

    return made


KINDS: dict[str, Callable[[Codes], bytes]] = {
    "jpg": by_pillow("JPEG", quality=90),
    "jpg, progressive": by_pillow("JPEG", quality=90, progressive=True),
    "jpg, progressive 4:4:4": by_pillow("JPEG", quality=90, progressive=True, subsampling=0),
    "png": by_pillow("PNG", compress_level=1),
    "png, 16 bits": lambda c: bytes(imagecodecs.png_encode(c.astype(np.uint16) * 257, level=1)),
    "tif": by_tifffile(8),
    "tif, LZW strips, 16 bits": by_tifffile(16, compression="lzw", predictor=True, rowsperstrip=64),
    "tif, deflate tiles": by_tifffile(8, compression="zlib", tile=(256, 256)),
    "tif, deflate in one": by_tifffile(8, compression="zlib", rowsperstrip=10**6),
    "webp": by_pillow("WEBP", quality=80, method=0),
    "webp, lossless": by_pillow("WEBP", lossless=True, quality=0, method=0),
    "avif": by_pillow("AVIF", quality=60, speed=10),
    "gif": by_pillow("GIF"),
    "bmp": by_pillow("BMP"),
}


def peak() -> float:
    """Most memory resident since the last reset, in megabytes (proc(5))."""
    lines = Path("/proc/self/status").read_text().splitlines()
    (high,) = (line for line in lines if line.startswith("VmHWM:"))
    return int(high.split()[1]) * 1024 / 1e6


def taken(path: Path, memory: int, *, copied: bool) -> None:
    """In a process of its own: open or copy a file, and print what was told and taken, in MB."""
    small = io.BytesIO()
    Image.new("RGB", (600, 400)).save(small, "PNG")
    open_picture(small.getvalue())
    Path("/proc/self/clear_refs").write_text("5")  # else the peak of the parent counts
    bare = peak()
    told = []
    allow = budget.allow

    def noted(name: str, needs: int, *rest: Any) -> None:  # noqa: ANN401 -- handed on
        told.append(needs)
        allow(name, needs, *rest)

    budget.allow = noted  # type: ignore[assignment]
    try:
        if copied:
            copycost.check_memory(path, memory)
            to = path.with_name(f"copy{path.suffix}")
            change: copying.Change = np.array
            copying.copy_picture(
                path, to, change, lambda *_: None, force=True, read_back=lambda _: None
            )
        else:
            open_picture(path, memory)
    except PictureTooLarge:
        print(f"{max(told) / 1e6:.0f} refused")
        return
    print(f"{max(told) / 1e6:.0f} {peak() - bare:.0f}")


def row(path: Path, memory: float, *, copied: bool) -> str:
    """What that process printed, and the quotient."""
    arguments = [str(Path(__file__)), "--one", str(path), "--memory", str(memory)]
    run = [sys.executable, *arguments, *(["--copied"] if copied else [])]
    done = subprocess.run(run, capture_output=True, text=True, check=False)
    if done.returncode:
        return f"{done.stderr.strip().splitlines()[-1][:40]:>27}"
    told, took = done.stdout.split()
    share = "" if took == "refused" else f"{float(took) / float(told):.2f}"
    return f"{told:>8} {took:>9} {share:>8}"


def main() -> None:
    """Read the options, and print a row for each kind and size."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, nargs="+", default=[1, 24, 100])
    parser.add_argument("--kinds", nargs="+", default=list(KINDS))
    parser.add_argument("--noisy", action="store_true")
    parser.add_argument("--memory", type=float, default=1000, help="megabytes")
    parser.add_argument("--one", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--copied", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one is not None:
        taken(given.one, round(given.memory * 1e6), copied=given.copied)
        return
    print(f"{'Mpx':>5}  {'kind':26}{'told':>8} {'taken':>9} {'share':>8}   copied")
    for megapixels in given.megapixels:
        values = codes(megapixels, noisy=given.noisy)
        for kind in given.kinds:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder, f"a.{kind[:4].strip(', ')}")
                try:
                    path.write_bytes(KINDS[kind](values))
                except (OSError, ValueError):  # more pixels than the kind takes
                    continue
                line = f"{megapixels:5g}  {kind:26}{row(path, given.memory, copied=False)}"
                with path.open("rb") as file:
                    written = decoding.kind_of(file.read(64), str(path)) in copying.WRITTEN
                if written:
                    line += row(path, given.memory, copied=True)
            print(line, flush=True)


if __name__ == "__main__":
    main()
