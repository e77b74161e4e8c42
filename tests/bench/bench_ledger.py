"""How a ledger does with many readings: one append, a list's status, the full check; on SQLite and on PostgreSQL.

    python tests/bench/bench_ledger.py --entries 100000
    python tests/bench/bench_ledger.py --entries 100000 --kind postgresql

Readings have the size of real ones. PostgreSQL is started for the purpose, with fsync on.
"""

import argparse
import json
import os
import platform
import random
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from qca.lists.progress import progress
from qca.lists.reading_list import ListedRead, ReadingList
from qca.store.check import check
from qca.store.entry import Document, Draft
from qca.store.ledger import Ledger

GROUP = 200
LIST_READS = 1000
SAMPLE = 500


def reading_text(number):
    """About 150 kB of numbers, as a bifurcation has; different for every number."""
    draw = random.Random(number)  # noqa: S311 - made-up values
    profile = {name: [draw.gauss(2, 0.5) for _ in range(170)] for name in "abcdefghijklmn"}
    return json.dumps({"number": number, "limbs": dict.fromkeys(("proximal", "distal", "side"), profile)})


def texts(count, variants=40):
    """Yield texts of true size quickly: the numbers of one of a few variants, shuffled by the reading's number.

    Each text is new to the hash and to the compression, but is not drawn digit by digit.
    """
    pieces = []
    for variant in range(variants):
        draw = random.Random(variant)  # noqa: S311
        pieces.append([json.dumps([draw.gauss(2, 0.5) for _ in range(170)]) for _ in range(42)])
    for number in range(count):
        mine = pieces[number % variants]
        turn = number // variants % 42
        yield f'{{"number": {number}, "rows": [{", ".join(mine[turn:] + mine[:turn])}]}}'


def draft(number, text, list_id="other"):
    return Draft(
        "measured",
        actor="R1",
        list_id=list_id,
        code=f"K{number:07d}",
        reader="R1",
        passage=1,
        frame_sha256=f"{number:064x}",
        frame_index=0,
        picks=Document.of(json.dumps({"proximal": [number, 1.5]})),
        reading=Document.of(text),
        software="0.1.0",
        algorithm="1",
        job=f"{number:064x}",
    )


def fill(ledger, count):
    began = time.perf_counter()
    group = []
    for number, text in enumerate(texts(count)):
        # one list of a thousand reads among many others
        group.append(draft(number, text, "mine" if number % (count // LIST_READS or 1) == 0 else f"list{number % 97}"))
        if len(group) == GROUP:
            ledger.append(*group)
            group = []
        if number and number % 10_000 == 0:
            print(f"  {number} entries after {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
    if group:
        ledger.append(*group)
    return time.perf_counter() - began


def median_ms(work, times):
    """Median and 95 % of the wall time, and the mean processor time of this process, ms."""
    took, processor = [], time.process_time()
    for _ in range(times):
        began = time.perf_counter()
        work()
        took.append(1000 * (time.perf_counter() - began))
    processor = 1000 * (time.process_time() - processor) / times
    return statistics.median(took), sorted(took)[int(0.95 * len(took))], processor


def tell(what, times, target=""):
    median, slow, processor = times
    print(
        f"{what:34s} median {median:7.2f} ms   95 % {slow:7.2f} ms   processor {processor:6.2f} ms   {target}",
        flush=True,
    )


def probe(folder):
    """Time a plain fsync: what no database can be faster than."""
    with (folder / "probe").open("wb") as file:

        def one():
            file.write(bytes(4096))
            file.flush()
            os.fsync(file.fileno())

        return median_ms(one, 100)


def measure(place, entries, folder):
    with Ledger(place, create=True) as ledger:
        took = fill(ledger, entries)
        print(
            f"filled with {entries} readings of {len(next(texts(1))) / 1000:.0f} kB in {took:.0f} s, {GROUP} at a time"
        )
        numbers = iter(range(10_000_000, 20_000_000))
        ready = [draft(next(numbers), text) for text in texts(SAMPLE)]
        tell("a plain fsync on this disk", probe(folder))
        tell("append of one reading", median_ms(lambda: ledger.append(ready.pop()), SAMPLE), "target 5 ms")
        tell("packing and hashing it beforehand", median_ms(lambda: Document.of(reading_text(1)), 20))
        reads = tuple(
            ListedRead(n + 1, f"K{n * (entries // LIST_READS or 1):07d}", "R1", 1, Path("x"), None)
            for n in range(LIST_READS)
        )
        listing = ReadingList(Path(), "mine", ("R1",), 1, 0.0, "", "", reads)
        tell(f"status of a list of {LIST_READS}", median_ms(lambda: progress(listing, ledger), 30), "target 100 ms")
        began, processor = time.perf_counter(), time.process_time()
        verdict = check(ledger)
        took, processor = time.perf_counter() - began, time.process_time() - processor
        assert verdict.intact, verdict
        print(f"full check of {verdict.entries} entries: {took:.1f} s, processor {processor:.1f} s   target 60 s")
    if ledger.address.path is not None:
        print(f"file: {ledger.address.path.stat().st_size / 1e9:.2f} GB")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--entries", type=int, default=100_000)
    parser.add_argument("--kind", choices=["sqlite", "postgresql"], default="sqlite")
    parser.add_argument("--folder", type=Path, help="on the disk to be measured")
    chosen = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="qca-bench-", dir=chosen.folder))
    print(f"{chosen.kind}, {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    try:
        if chosen.kind == "sqlite":
            measure(folder / "study.sqlite", chosen.entries, folder)
            return
        from tests.store.server import Server

        server = Server(durable=True)
        try:
            measure(server.new_place(), chosen.entries, folder)
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
