"""Time of a worksheet after the reading is loaded: rules, sampling, sizes, steps; then its JSON and its page.

Run:  python tests/bench/bench_worksheet.py [READING.json] [--repeat N]

Without a reading the invented one of the tests is used. The target is 100 ms for the worksheet, sampling included. It
is held against the processor's time: everything runs in one thread, and other programs only add to the clock's.
"""

from __future__ import annotations

import argparse
import dataclasses
import platform
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

TARGET_MS = 100.0


def timed(function: Callable[[], object], repeat: int) -> tuple[float, float, float]:
    """First call and median of the others by the clock, and the median of the processor's time, ms."""
    clock, processor = [], []
    for _ in range(repeat + 1):
        start, busy = time.perf_counter(), time.process_time()
        function()
        clock.append(1e3 * (time.perf_counter() - start))
        processor.append(1e3 * (time.process_time() - busy))
    return clock[0], statistics.median(clock[1:]), statistics.median(processor[1:])


def main() -> int:
    """Print the table; exit code 1 when the target is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("reading", nargs="?", type=Path)
    parser.add_argument("--repeat", type=int, default=20)
    arguments = parser.parse_args()

    from qca.document import parse_reading, read_reading, reading_text
    from qca.sizing.case import parse_case
    from qca.sizing.devices import parse_devices
    from qca.sizing.document import worksheet_text
    from qca.sizing.html import worksheet_page
    from qca.sizing.overrides import parse_overrides
    from qca.sizing.worksheet import plan
    from tests.sizing.invented_reading import reading as invented

    samples = ROOT / "sample_images"
    table = parse_devices((samples / "demo_devices.csv").read_text(encoding="utf-8"))
    case = parse_case((samples / "demo_case.toml").read_text(encoding="utf-8"))
    reading = read_reading(arguments.reading) if arguments.reading else invented()
    few = parse_overrides("[plan]\ndraws = 100")

    sheet = plan(reading, table=table, case=case)
    text = reading_text(reading)
    rows = (
        ("reading.json read", lambda: parse_reading(text, name="reading.json")),
        ("worksheet", lambda: plan(reading, table=table, case=case)),
        ("the same with 100 samples", lambda: plan(reading, table=table, case=case, overrides=few)),
        ("worksheet.json", lambda: worksheet_text(sheet)),
        ("worksheet.html", lambda: worksheet_page(sheet)),
    )
    print(f"Python {platform.python_version()}, {platform.machine()}, {len(table.devices)} devices, "
          f"{int(dataclasses.asdict(sheet.facts.assumptions)['draws'])} samples")  # fmt: skip
    print(f"{'':28}{'first, ms':>12}{'median, ms':>12}{'processor':>12}")
    measured = {}
    for name, function in rows:
        first, median, processor = timed(function, arguments.repeat)
        measured[name] = processor
        print(f"{name:28}{first:12.1f}{median:12.1f}{processor:12.1f}")
    ratio = measured["worksheet"] / measured["reading.json read"]
    print(f"a worksheet takes {ratio:.1f} times as long as reading its reading.json")
    met = measured["worksheet"] < TARGET_MS
    print(f"target {TARGET_MS:g} ms for the worksheet: {'met' if met else 'MISSED'}")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
