"""How long and how right: ``measure`` beside the off-the-shelf pipeline, same phantoms, same picks, one run.

::

    python tests/bench/bench_measure.py [--count 40] [--seed 1] [--rounds 1]

The two are timed in turns, in this process, one thread, so that a busy machine slows both alike. Rendering, reading
files and the interpreter's start are outside. Exit code 1 when ``measure`` takes more than half of the time, or its
error is more than a third of the other's.
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

TIME_TARGET, ERROR_TARGET = 1 / 2, 1 / 3


def main() -> int:
    """Time and score both."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=1, help="time each frame this often and take the fastest")
    arguments = parser.parse_args()

    import cv2
    import numpy as np

    from qca.phantom import random_bifurcation
    from qca.pipeline import measure
    from qca.validation.case import phantom_case
    from qca.validation.off_the_shelf import NothingTraced, read_plainly
    from qca.validation.value import plain_values, reading_values

    cv2.setNumThreads(1)
    times: dict[str, list[float]] = {"joint fit": [], "off the shelf": []}
    values = []
    for seed in range(arguments.seed - 1, arguments.seed + arguments.count):
        case = phantom_case(random_bifurcation(seed), f"bifurcation-{seed}")
        fastest = dict.fromkeys(times, float("inf"))
        reading = plain = None
        for _ in range(arguments.rounds):
            started = time.perf_counter()
            reading = measure(case.frame, case.picks)
            between = time.perf_counter()
            try:
                plain = read_plainly(case.frame, case.picks)
            except NothingTraced:
                plain = None
            fastest["joint fit"] = min(fastest["joint fit"], between - started)
            fastest["off the shelf"] = min(fastest["off the shelf"], time.perf_counter() - between)
        if seed == arguments.seed - 1:
            continue  # the first frame pays for imports and tables
        for name, seconds in fastest.items():
            times[name].append(seconds)
        values += reading_values(case, reading)
        if plain is not None:
            values += plain_values(case, plain)
    print(
        f"Python {platform.python_version()}, {platform.machine()}, one thread, {arguments.count} frames of 512 x 512"
    )
    medians = {name: statistics.median(seconds) for name, seconds in times.items()}
    for name, seconds in medians.items():
        print(f"  {name:14s} median {seconds:6.3f} s, slowest {max(times[name]):6.3f} s")
    ratio = medians["joint fit"] / medians["off the shelf"]
    print(f"  time ratio     {ratio:6.2f}   (target {TIME_TARGET:.2f})")
    worst = 0.0
    for quantity in ("mld_mm", "reference_mm", "ds_percent", "lesion_length_mm", "angle_b_deg", "scale_percent"):
        rms = {
            name: float(
                np.sqrt(np.nanmean([v.error**2 for v in values if v.method == name and v.quantity == quantity]))
            )
            for name in times
        }
        share = rms["joint fit"] / rms["off the shelf"]
        if quantity in ("mld_mm", "ds_percent"):
            worst = max(worst, share)
        print(
            f"  {quantity:17s} rms error {rms['joint fit']:7.3f}, off the shelf {rms['off the shelf']:7.3f}, "
            f"ratio {share:.2f}"
        )
    print(f"  error ratio (MLD, DS) {worst:.2f}   (target {ERROR_TARGET:.2f})")
    return 0 if ratio < TIME_TARGET and worst < ERROR_TARGET else 1


if __name__ == "__main__":
    sys.exit(main())
