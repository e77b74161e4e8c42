"""How long one frame takes, beside a general-purpose reader in the same run. ``python -m tests.frames.bench_read``."""

from __future__ import annotations

import platform
import statistics
import tempfile
import time
import warnings
from pathlib import Path

import imagecodecs
import numpy as np
from pydicom.pixels import pixel_array

from qca.frames import FrameSource, open_frame, probe
from tests.frames.files import JPEG, lossless, write


def best_and_median_ms(call, repeats=25):
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        call()
        times.append(time.perf_counter() - started)
    return 1000 * min(times), 1000 * statistics.median(times)


def main() -> None:
    print(platform.python_version(), platform.machine(), imagecodecs.__version__)
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for side, count in ((512, 20), (1024, 20)):
            smooth = 1500 + 800 * np.sin(np.linspace(0, 9, side))[:, None] * np.cos(np.linspace(0, 7, side))
            frame = (smooth + rng.normal(0, 30, (side, side))).round().clip(0, 4095).astype(np.uint16)
            stream = lossless(12)(frame)
            stack = np.broadcast_to(frame, (count, side, side))
            path = write(Path(folder) / f"run{side}.dcm", stack, syntax=JPEG + "70", codestreams=[stream] * count)
            source = FrameSource(path)
            rows = {
                "open_frame (header, whole-file hash, frame)": lambda path=path: open_frame(path, 7),
                "FrameSource.frame, later frames": lambda source=source: source.frame(7),
                "FrameSource.pixels": lambda source=source: source.pixels(7),
                "probe": lambda path=path: probe(path),
            }
            for plugin in ("gdcm",):
                rows[f"pydicom pixel_array, {plugin}"] = lambda path=path, plugin=plugin: pixel_array(
                    path, index=7, raw=True, decoding_plugin=plugin
                )
            size = path.stat().st_size / 2**20
            print(f"\n{side} x {side}, {count} frames, JPEG Lossless, {size:.0f} MB")
            for name, call in rows.items():
                best, median = best_and_median_ms(call)
                print(f"  {best:8.2f} ms best, {median:8.2f} ms median  {name}")


if __name__ == "__main__":
    main()
