"""How long ``qca --help`` takes beside ``python -c "import numpy"``, both from a cold process, interleaved in one run.

::

    python tests/bench/bench_start.py [--rounds 15]

Exit code 1 when the help is slower.
"""

from __future__ import annotations

import argparse
import platform
import statistics
import subprocess
import sys
import sysconfig
import time
from pathlib import Path


def seconds(command: list[str]) -> float:
    """Wall time of one run."""
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> int:
    """Time the commands in turns, so that a busy machine slows all of them alike."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=15)
    rounds = parser.parse_args().rounds
    script = Path(sysconfig.get_path("scripts")) / ("qca.exe" if sys.platform == "win32" else "qca")
    commands = {
        "python -c pass": [sys.executable, "-c", "pass"],
        "python -c 'import numpy'": [sys.executable, "-c", "import numpy"],
        "qca --help": [str(script), "--help"],
        "qca measure --help": [str(script), "measure", "--help"],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for name, command in commands.items():
        seconds(command)  # compiled files and the disk cache are not what is measured
        del name
    for _ in range(rounds):
        for name, command in commands.items():
            times[name].append(seconds(command))
    print(f"Python {platform.python_version()}, {platform.machine()}, median of {rounds} interleaved rounds")
    for name, values in times.items():
        print(f"  {name:28s} {1000 * statistics.median(values):7.1f} ms")
    ratio = statistics.median(times["qca --help"]) / statistics.median(times["python -c 'import numpy'"])
    print(f"  qca --help / import numpy    {ratio:7.2f}")
    return 0 if ratio < 1 else 1


if __name__ == "__main__":
    sys.exit(main())
