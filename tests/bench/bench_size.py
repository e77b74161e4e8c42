"""What a larger frame costs: ``measure`` on the same vessel in frames up to 2048 x 2048, beside library calls.

::

    python tests/bench/bench_size.py [--rounds 5] [--seeds 3]

The phantom is rendered once at 512 x 512 and set into a larger frame that continues it, with the picks moved along: the
traced length stays the same. Exit code 1 when ``measure`` takes more than twice as long on the largest frame as on the
smallest.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import platform
import statistics
import sys
import time
from dataclasses import replace

SIZES = (512, 768, 1024, 1536, 2048)
LARGEST_RATIO = 2.0


def main() -> int:
    """Time both on frames of growing size."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seeds", type=int, default=3)
    arguments = parser.parse_args()

    import cv2
    import numpy as np

    from qca.phantom import random_bifurcation, render
    from qca.pipeline import measure
    from qca.validation.off_the_shelf import read_plainly

    cv2.setNumThreads(1)

    def enlarged(phantom, size):
        rim = (size - 512) // 2
        frame = phantom.frame()
        pixels = np.pad(frame.pixels, rim, mode="symmetric") if rim <= 512 else np.pad(frame.pixels, rim, mode="wrap")
        pixels.setflags(write=False)
        valid = np.ones(pixels.shape, dtype=bool)

        def place(point):
            return point[0] + rim, point[1] + rim

        picks = phantom.picks
        picks = replace(
            picks,
            proximal=place(picks.proximal),
            distal=place(picks.distal),
            side=place(picks.side),
            catheter=tuple(place(point) for point in picks.catheter),
        )
        return replace(frame, pixels=pixels, valid=valid), picks

    phantoms = [render(random_bifurcation(seed)) for seed in range(1, arguments.seeds + 1)]
    cases = {size: [enlarged(phantom, size) for phantom in phantoms] for size in SIZES}
    times = {(name, size): [] for name in ("joint fit", "off the shelf") for size in SIZES}
    mld = {size: [] for size in SIZES}
    for turn in range(arguments.rounds + 1):
        for size in SIZES:
            for frame, picks in cases[size]:
                started = time.perf_counter()
                reading = measure(frame, picks)
                between = time.perf_counter()
                if turn == 0:  # pays for imports and tables
                    mld[size] += [limb.mld_mm for limb in reading.limbs.values()]
                    continue
                times["joint fit", size].append(between - started)
                if turn == 1:
                    read_plainly(frame, picks)
                    times["off the shelf", size].append(time.perf_counter() - between)
    print(f"Python {platform.python_version()}, {platform.machine()}, one thread, same vessels in every frame")
    print("  frame          joint fit            off the shelf        largest change of an MLD")
    base = statistics.median(times["joint fit", SIZES[0]])
    plain = statistics.median(times["off the shelf", SIZES[0]])
    ratio = 1.0
    for size in SIZES:
        ours, theirs = (statistics.median(times[name, size]) for name in ("joint fit", "off the shelf"))
        ratio = ours / base
        change = max(abs(a - b) for a, b in zip(mld[size], mld[SIZES[0]], strict=True))
        print(
            f"  {size:4d} x {size:4d}  {ours:6.3f} s, {ratio:5.2f} x  {theirs:8.3f} s, {theirs / plain:5.2f} x   "
            f"{change:.4f} mm"
        )
    return 0 if ratio < LARGEST_RATIO else 1


if __name__ == "__main__":
    sys.exit(main())
