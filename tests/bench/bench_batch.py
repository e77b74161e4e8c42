"""How a batch does: two workers beside one, the cost of a frame as lists grow, and the parent's memory.

    python tests/bench/bench_batch.py workers --frames 400
    python tests/bench/bench_batch.py growth --frames 100 1000 10000

Frames are small phantoms (one segment, 144 x 144), rendered for the purpose and deleted afterwards; a list longer than
the number of phantoms names each of them under several codes, with picks moved by a fraction of a pixel, so that every
row is a measurement of its own. Processor time is given beside wall time: it does not depend on who else is at work.
"""

import argparse
import csv
import json
import os
import platform
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

PHANTOMS = 100
HEADER = (
    *("code", "file", "frame", "proximal", "distal", "side", "start", "end"),
    *("catheter_a", "catheter_b", "french", "catheter_mm", "mm_per_px"),
)


def render(folder, count):
    """Render phantoms into a folder, with the installed command."""
    began = time.perf_counter()
    kind = ["--kind", "segment", "--size", "144", "--mm-per-px", "0.25", "--count", str(count)]
    command = [sys.executable, "-m", "ui.cli", "phantom", *kind]
    subprocess.run([*command, "--out", str(folder)], check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
    print(f"rendered {count} phantoms in {time.perf_counter() - began:.0f} s", flush=True)


def write_list(folder, count, name):
    """Name every phantom as often as needed, with picks of its own each time."""
    with (folder / "list.csv").open(encoding="utf-8", newline="") as file:
        known = list(csv.DictReader(file))
    draw = random.Random(count)  # noqa: S311 - picks beside the perfect ones
    path = folder / name
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, HEADER)
        writer.writeheader()
        for number in range(count):
            row = dict(known[number % len(known)])
            for point in ("start", "end"):
                x, y = map(float, row[point].split())
                row[point] = f"{x + draw.uniform(-0.5, 0.5):.3f} {y + draw.uniform(-0.5, 0.5):.3f}"
            writer.writerow({**row, "code": f"C{number:06d}"})
    return path


def run(path, out, workers):
    """Run ``qca batch``; give wall time, and processor times and peak memory of parent and workers."""
    # a process of its own, so that the times of its children are this run's only
    code = (
        "import json, os, resource, sys, threading, time\n"
        "from pathlib import Path\n"
        "sys.argv = ['qca', *sys.argv[2:]]\n"
        "seen = []\n"
        "def watch():\n"
        "    while True:\n"
        "        words = Path('/proc/self/statm').read_text().split()\n"
        "        seen.append(int(words[1]) * os.sysconf('SC_PAGE_SIZE') / 1e6)\n"
        "        time.sleep(0.5)\n"
        "threading.Thread(target=watch, daemon=True).start()\n"
        "from ui.cli.main import cli\n"
        "began = time.perf_counter()\n"
        "try:\n"
        "    cli(prog_name='qca')\n"
        "except SystemExit as end:\n"
        "    assert not end.code, end\n"
        "wall = time.perf_counter() - began\n"
        "mine, theirs = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))\n"
        "print(json.dumps({'wall': wall, 'parent': mine.ru_utime + mine.ru_stime,\n"
        "    'workers': theirs.ru_utime + theirs.ru_stime, 'memory': seen}), file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "-", "batch", str(path), "--out", str(out), "--workers", str(workers)],
        check=False,
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        sys.exit(f"the batch ended with code {done.returncode}:\n{done.stderr[-3000:]}")
    return json.loads(done.stderr.splitlines()[-1])


def compare_workers(folder, frames):
    """Two workers beside one, in turns."""
    path = write_list(folder, frames, "workers.csv")
    took = {}
    for workers in (2, 1):
        result = run(path, folder / f"out{workers}", workers)
        took[workers] = result["wall"]
        print(
            f"{workers} worker{'s' if workers > 1 else ' '}: {result['wall']:7.1f} s for {frames} frames, processor "
            f"{result['workers']:.1f} s in workers, {result['parent']:.1f} s in the parent",
            flush=True,
        )
    print(f"two take {took[2] / took[1]:.3f} of one's time (target 0.56)")


def compare_lengths(folder, lengths, workers):
    """The cost of a frame, and the parent's memory, as the list grows."""
    print("  frames     wall s   per frame: worker ms   parent ms   parent's memory MB: at 25 %, at the end, peak")
    for frames in lengths:
        path = write_list(folder, frames, f"list{frames}.csv")
        result = run(path, folder / f"long{frames}", workers)
        memory = result["memory"]
        print(
            f"{frames:8d} {result['wall']:10.1f} {1000 * result['workers'] / frames:21.1f} "
            f"{1000 * result['parent'] / frames:11.2f} {memory[len(memory) // 4]:28.0f} "
            f"{memory[-1]:8.0f} {max(memory):7.0f}",
            flush=True,
        )
        shutil.rmtree(folder / f"long{frames}")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["workers", "growth"])
    parser.add_argument("--frames", type=int, nargs="+")
    parser.add_argument("--workers", type=int, default=2, help="for growth")
    chosen = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="qca-bench-"))
    load = os.getloadavg()[0]
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f}, Python {platform.python_version()}")
    try:
        render(folder, min(PHANTOMS, max(chosen.frames or [400])))
        if chosen.what == "workers":
            compare_workers(folder, (chosen.frames or [400])[0])
        else:
            compare_lengths(folder, chosen.frames or [100, 1000, 10_000], chosen.workers)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
