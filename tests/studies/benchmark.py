"""How long a judgement takes beside the decoding it cannot do without. A script, no test.

    OMP_NUM_THREADS=1 python tests/studies/benchmark.py [--rounds N]

Ratios of processor times taken in turn within one run, so that a slow or busy machine
slows both sides. The picture is real content: photographs that scikit-learn
ships, enlarged and laid side by side to 6000 x 4000, with the mild noise of a
sensor, as a JPEG of camera quality. Floor of each comparison: Pillow's own
reduced decoding (DCT scaling) to at least 512 pixels on the short side, which is at 1/4;
opening decodes at 1/8, which is as little as libjpeg can, and told apart.
"""

# ruff: noqa: T201 -- it prints what it measured

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from statistics import median, quantiles
from unittest.mock import patch

import numpy as np
from PIL import Image

SIZE = (6000, 4000)
QUALITY = 92
ROOT = Path(__file__).parents[2]

BARE = """
import sys
import numpy
from PIL import Image
with Image.open(sys.argv[1]) as image:
    image.draft("RGB", (512, 512))
    numpy.asarray(image)
"""


def picture(path: Path) -> None:
    """Write a JPEG as a camera of 24 million pixels would, 8 to 12 MB."""
    spec = find_spec("sklearn")
    if spec is None or spec.origin is None:
        raise SystemExit("scikit-learn is needed for its photographs: pip install scikit-learn.")
    folder = Path(spec.origin).parent / "datasets" / "images"
    sheet = Image.new("RGB", SIZE)
    tile = (SIZE[0] // 2, SIZE[1] // 2)
    for k, name in enumerate(("china.jpg", "flower.jpg", "flower.jpg", "china.jpg")):
        with Image.open(folder / name) as image:
            large = image.resize(tile, Image.Resampling.BICUBIC)
        place = (k % 2 * tile[0], k // 2 * tile[1])
        sheet.paste(large.transpose(Image.Transpose.FLIP_LEFT_RIGHT) if k > 1 else large, place)
    rng = np.random.default_rng(0)
    values = np.asarray(sheet).astype(np.float32)
    values += rng.normal(0, 9.0, values.shape).astype(np.float32)
    codes = np.rint(np.clip(values, 0, 255)).astype(np.uint8)
    Image.fromarray(codes).save(path, "JPEG", quality=QUALITY)


def reduced(path: Path, least: tuple[int, int] = (512, 512)) -> None:
    """The floor: decode at reduced scale, nothing else."""
    with Image.open(path) as image:
        image.draft("RGB", least)
        image.load()


def processor() -> float:
    """Seconds of processor time of this process and of its children that have ended."""
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(each.ru_utime + each.ru_stime for each in used)


def interleaved(
    rounds: int, *works: Callable[[], object], clock: Callable[[], float] = time.perf_counter
) -> list[list[float]]:
    """Seconds of each work, run in turn; the first round warms up and is not counted."""
    took: list[list[float]] = [[] for _ in works]
    for turn in range(rounds + 1):
        for times, work in zip(took, works, strict=True):
            start = clock()
            work()
            if turn:
                times.append(clock() - start)
    return took


def after_opening(path: Path, opened: object) -> None:
    """Judge with the picture already opened: everything after the first room."""
    from autocast import judging

    with patch.object(judging, "open_picture", return_value=opened):
        judging.examine(path)


def show(name: str, times: list[float], floor: list[float]) -> None:
    ratios = [one / other for one, other in zip(times, floor, strict=True)]
    low, _, high = quantiles(ratios, n=4)
    print(
        f"{name:<46} {1000 * median(times):7.1f} ms   "
        f"{median(times) / median(floor):5.2f} x   (quartiles of the ratios {low:.2f}-{high:.2f})"
    )


def as_installed() -> dict[str, str]:
    """The environment, in which bytecode is kept, as what is installed has its own."""
    return {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}


def process(*arguments: str) -> Callable[[], object]:
    def run() -> None:
        subprocess.run(
            [sys.executable, *arguments],
            cwd=ROOT,
            check=True,
            stdout=subprocess.DEVNULL,
            env=as_installed(),
        )

    return run


def peak_memory(*arguments: str) -> float:
    """Most resident memory, in MB, of a child that runs ``arguments``."""
    # A process of its own, so that no earlier child counts.
    code = (
        "import resource, subprocess, sys; subprocess.run([sys.executable, *sys.argv[1:]], "
        "check=True, stdout=subprocess.DEVNULL); "
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    out = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    # ru_maxrss is in KiB, on macOS in bytes.
    return int(out) / (1e6 if sys.platform == "darwin" else 1e6 / 1024)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--rounds", type=int, default=15, help="measured rounds (at least 2)")
    rounds = max(2, parser.parse_args().rounds)
    sys.path.insert(0, str(ROOT))
    from autocast import judging
    from autocast.picture import open_picture

    if hasattr(os, "getloadavg"):
        print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.jpg"
        picture(path)
        print(f"{SIZE[0]} x {SIZE[1]} JPEG, {path.stat().st_size / 1e6:.1f} MB\n")
        opened = open_picture(path)
        least, floor, opening, judged, whole, archived = interleaved(
            rounds,
            lambda: reduced(path, (SIZE[0] // 8, SIZE[1] // 8)),
            lambda: reduced(path),
            lambda: open_picture(path),
            lambda: after_opening(path, opened),
            lambda: judging.examine(path),
            lambda: judging.examine(path, explain=False),
            clock=processor,
        )
        print("in one process, beside Pillow's reduced decoding")
        show("  reduced decoding", floor, floor)
        show("  the same at 1/8", least, floor)
        show("  opening the picture", opening, floor)
        show("  judging at working size", judged, floor)
        show("  examining, all of it", whole, floor)
        show("  examining, as a run over an archive does", archived, floor)
        bare, cold = interleaved(
            rounds,
            process("-c", BARE, str(path)),
            process("-m", "autocast", "judge", str(path)),
            clock=processor,
        )
        print("\nas a new process, beside one that imports numpy and PIL and decodes")
        show("  bare decoding", bare, bare)
        show("  autocast judge", cold, bare)
        print("\nmost memory of a process")
        print(f"  bare decoding    {peak_memory('-c', BARE, str(path)):6.0f} MB")
        print(f"  autocast judge   {peak_memory('-m', 'autocast', 'judge', str(path)):6.0f} MB")


if __name__ == "__main__":
    main()
