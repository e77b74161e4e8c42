"""Speak to and about the reports of a pytest process that ran apart (``tests/conftest.py`` writes them).

::

    python .ci/recorded.py leave-out FILE WHERE WHY     note that tests could not run here
    python .ci/recorded.py nothing-left-out FILE WHERE  exit code 1 if tests under WHERE exist and one was skipped
"""

from __future__ import annotations

import json
import sys
from pathlib import Path


def leave_out(file: Path, where: str, why: str) -> int:
    """Write the one entry that stands for all tests under ``where``."""
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps({"kind": "left out", "where": where, "why": why}) + "\n", encoding="utf-8")
    return 0


def nothing_left_out(file: Path, where: str) -> int:
    """Ask that every test under ``where`` ran to its end and none was skipped."""
    if not list(Path(where).glob("**/test_*.py")):
        return 0
    if not file.exists():
        print(f"{where}: the tests did not run", file=sys.stderr)
        return 1
    entries = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    skipped = [entry["why"] for entry in entries if entry["kind"] == "left out"]
    for entry in entries:
        if entry["kind"] in ("test", "collect"):
            report = entry["data"]
            if report["outcome"] == "skipped" and "wasxfail" not in report:
                skipped.append(f"{report['nodeid']}: {report['longrepr']}")
    ran = sum(entry["kind"] == "start" for entry in entries)
    for line in skipped:
        print(f"skipped: {line}", file=sys.stderr)
    if not ran:
        print(f"{where}: no test ran", file=sys.stderr)
    return 1 if skipped or not ran else 0


if __name__ == "__main__":
    command, path, *rest = sys.argv[1:]
    actions = {"leave-out": leave_out, "nothing-left-out": nothing_left_out}
    sys.exit(actions[command](Path(path), *rest))
