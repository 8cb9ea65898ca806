"""How much memory and time a corrected copy of a large file takes. A script, no test.

    OMP_NUM_THREADS=1 python tests/studies/benchmark_copy.py [--megapixels N] [--compression lzw]

The picture is a photograph that scikit-learn ships, enlarged to a 16-bit TIFF
with a known cast; it is corrected in a process of its own, and the most memory
that was resident there is printed beside the size of its pixels.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

CAST = (-3.0, -18.0)
"""The cast laid, a*, b* at L* 60."""


def write_tiff(path: Path, megapixels: float, compression: str | None = None) -> None:
    """A 16-bit RGB TIFF, 3:2, of a photograph under :data:`CAST`."""
    import tifffile

    from autocast.colour import cast_to_gains, linear_to_srgb, srgb_to_linear
    from tests.photographs import pixels

    height = round((megapixels * 1e6 / 1.5) ** 0.5)
    light = 0.8 * srgb_to_linear(pixels("china") / 255.0) * cast_to_gains(np.array(CAST))
    small = np.rint(np.clip(linear_to_srgb(light), 0, 1) * 255).astype(np.uint8)
    size = (round(1.5 * height), height)
    large = np.asarray(Image.fromarray(small).resize(size, Image.Resampling.BICUBIC))
    codes = large.astype(np.uint16) * 257
    tifffile.imwrite(path, codes, photometric="rgb", rowsperstrip=64, compression=compression)


def corrected_in(source: Path, to: Path) -> tuple[float, float]:
    """Most resident memory, in MB, and seconds of a process that corrects ``source``."""
    code = (
        "import resource, subprocess, sys; subprocess.run([sys.executable, *sys.argv[1:]], "
        "check=False, stdout=subprocess.DEVNULL); "
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    arguments = ["-m", "autocast", "correct", str(source), "--to", str(to), "--best-guess"]
    start = time.perf_counter()
    out = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    if not to.exists():
        raise SystemExit(f"{to} was not written")
    took = time.perf_counter() - start
    # ru_maxrss is in KiB, on macOS in bytes.
    return int(out) / (1e6 if sys.platform == "darwin" else 1e6 / 1024), took


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--compression", choices=("lzw", "deflate"), default=None)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        source, to = Path(folder) / "large.tif", Path(folder) / "copy.tif"
        write_tiff(source, wanted.megapixels, wanted.compression)
        memory, seconds = corrected_in(source, to)
        print(f"{wanted.megapixels:g} Mpx, 16-bit TIFF of {source.stat().st_size / 1e6:.0f} MB")
        print(f"  most memory   {memory:6.0f} MB")
        print(f"  seconds       {seconds:6.1f}")
        print(f"  copy          {to.stat().st_size / 1e6:6.0f} MB")


if __name__ == "__main__":
    main()
