"""How much time and memory a corrected copy of a large file takes. A script, no test.

    OMP_NUM_THREADS=1 python tests/studies/benchmark_copy.py [--megapixels N] [--rounds N]
        [--kinds jpeg tiff lzw deflate]

The picture is a photograph that scikit-learn ships, enlarged, with the mild noise
of a sensor and a known cast: a JPEG of camera quality or a 16-bit TIFF. Processes
take turns: one imports a decoder, decodes the file and encodes it again as it was,
the other is ``autocast correct``, which judges twice besides. What is printed are
ratios of seconds and of processor seconds, which a busy machine disturbs less, and
the most memory that was resident. The copy alone stands beside decoding and
encoding in one process.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.studies.benchmark import as_installed  # noqa: E402

CAST = (-3.0, -18.0)
"""The cast laid, a*, b* at L* 60."""
SUFFIX = {"jpeg": ".jpg", "tiff": ".tif", "lzw": ".tif", "deflate": ".tif"}

ANEW = {
    "jpeg": """
import sys
from PIL import Image
with Image.open(sys.argv[1]) as image:
    image.load()
    image.save(sys.argv[2], qtables=image.quantization, subsampling="keep")
""",
    "tiff": """
import sys
import tifffile
with tifffile.TiffFile(sys.argv[1]) as tiff:
    page = tiff.pages.first
    pixels, strip, how = page.asarray(), page.rowsperstrip, page.compression
tifffile.imwrite(sys.argv[2], pixels, photometric="rgb", rowsperstrip=strip, compression=how)
""",
}
"""Programs that decode a file and encode it again as it was."""
ALONE = """
import sys
import numpy as np
from pathlib import Path
from autocast.correction.recoding import Recoding
from autocast.correction.tone_curves import curves, smooth
from autocast.picture import copy_picture, srgb_space
move = smooth(np.array([(-3.0, -18.0)] * 3), np.ones(3), 1.0)
change = Recoding(curves(move, srgb_space()))
source, to = Path(sys.argv[1]), Path(sys.argv[2])
"""
TIMED = """
import time
wall, used = time.perf_counter(), time.process_time()
{0}
print(time.perf_counter() - wall, time.process_time() - used)
"""


class Took(NamedTuple):
    """Seconds, processor seconds, and the most memory that was resident, in MB."""

    seconds: float
    used: float
    memory: float


def photograph(megapixels: float) -> NDArray[np.float32]:
    """Encoded values (H, W, 3) of 0..1, 3:2, of a photograph under :data:`CAST`."""
    from autocast.colour import cast_to_gains, linear_to_srgb, srgb_to_linear
    from tests.photographs import pixels

    height = round((megapixels * 1e6 / 1.5) ** 0.5)
    light = 0.8 * srgb_to_linear(pixels("china") / 255.0) * cast_to_gains(np.array(CAST))
    small = np.rint(np.clip(linear_to_srgb(light), 0, 1) * 255).astype(np.uint8)
    size = (round(1.5 * height), height)
    large = np.asarray(Image.fromarray(small).resize(size, Image.Resampling.BICUBIC))
    noise = np.random.default_rng(0).normal(0, 6 / 255, large.shape).astype(np.float32)
    return np.clip(large / np.float32(255) + noise, 0, 1)


def write_tiff(path: Path, megapixels: float, compression: str | None = None) -> None:
    """A 16-bit RGB TIFF of :func:`photograph`."""
    import tifffile

    codes = np.rint(photograph(megapixels) * 65535).astype(np.uint16)
    tifffile.imwrite(path, codes, photometric="rgb", rowsperstrip=64, compression=compression)


def write_jpeg(path: Path, megapixels: float) -> None:
    """A JPEG of camera quality of :func:`photograph`."""
    codes = np.rint(photograph(megapixels) * 255).astype(np.uint8)
    Image.fromarray(codes).save(path, "JPEG", quality=92)


def measured(*arguments: str) -> Took:
    """What a process of Python that is given ``arguments`` takes."""
    # In a process of its own, so that no earlier child counts.
    code = (
        "import resource, subprocess, sys, time; start = time.perf_counter(); "
        "subprocess.run([sys.executable, *sys.argv[1:]], check=False, stdout=subprocess.DEVNULL); "
        "took = time.perf_counter() - start; "
        "used = resource.getrusage(resource.RUSAGE_CHILDREN); "
        "print(took, used.ru_utime + used.ru_stime, used.ru_maxrss)"
    )
    out = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
        env=as_installed(),
    ).stdout
    seconds, used, memory = (float(value) for value in out.split())
    # ru_maxrss is in KiB, on macOS in bytes.
    return Took(seconds, used, memory / (1e6 if sys.platform == "darwin" else 1e6 / 1024))


def corrected_in(source: Path, to: Path) -> Took:
    """What a process that corrects ``source`` takes."""
    took = measured("-m", "autocast", "correct", str(source), "--to", str(to), "--best-guess")
    if not to.exists():
        raise SystemExit(f"{to} was not written")
    to.unlink()
    return took


def anew_in(kind: str, source: Path, to: Path) -> Took:
    """What a process that decodes ``source`` and encodes it again takes."""
    took = measured("-c", ANEW[kind], str(source), str(to))
    to.unlink()
    return took


def alone(kind: str, source: Path, to: Path) -> tuple[Took, Took]:
    """The copy by itself, and decoding and encoding, both without what is imported."""
    copying = "copy_picture(source, to, change, lambda *_: None, force=True)"
    out = []
    for before, work in ((ALONE, copying), ("import numpy, tifffile, PIL.Image", ANEW[kind])):
        printed = subprocess.run(
            [sys.executable, "-c", before + TIMED.format(work), str(source), str(to)],
            cwd=ROOT,
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        seconds, used = (float(value) for value in printed.split())
        out.append(Took(seconds, used, 0.0))
    to.unlink()
    return out[0], out[1]


def show(name: str, took: list[Took], floor: list[Took]) -> None:
    def middle(value: Callable[[Took], float]) -> tuple[float, float]:
        return median(map(value, took)), median(map(value, floor))

    seconds, at_least = middle(lambda t: t.seconds)
    used, used_at_least = middle(lambda t: t.used)
    memory, _ = middle(lambda t: t.memory)
    print(
        f"  {name:<30} {seconds:6.2f} s {seconds / at_least:6.2f} x   "
        f"processor {used:6.2f} s {used / used_at_least:6.2f} x"
        + (f"   {memory:5.0f} MB" if memory else "")
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--kinds", nargs="+", choices=SUFFIX, default=["jpeg", "tiff"])
    wanted = parser.parse_args()
    if hasattr(os, "getloadavg"):
        print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    for kind in wanted.kinds:
        program = "jpeg" if kind == "jpeg" else "tiff"
        with tempfile.TemporaryDirectory() as folder:
            source, to = (Path(folder) / f"{name}{SUFFIX[kind]}" for name in ("large", "copy"))
            if kind == "jpeg":
                write_jpeg(source, wanted.megapixels)
            else:
                write_tiff(source, wanted.megapixels, None if kind == "tiff" else kind)
            print(f"{wanted.megapixels:g} Mpx, {kind} of {source.stat().st_size / 1e6:.1f} MB")
            turns = [
                (
                    anew_in(program, source, to),
                    corrected_in(source, to),
                    *alone(program, source, to),
                )
                for _ in range(wanted.rounds)
            ]
            anew, corrected, copied, decoded = map(list, zip(*turns, strict=True))
            show("decode and encode, a process", anew, anew)
            show("autocast correct", corrected, anew)
            show("decode and encode by itself", decoded, decoded)
            show("the copy by itself", copied, decoded)


if __name__ == "__main__":
    main()
