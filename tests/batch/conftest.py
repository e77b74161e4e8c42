import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest

from qca.store.ledger import Ledger
from tests.batch import fakes

HEADER = "code,file,frame,proximal,distal,side,start,end,catheter_a,catheter_b,french,catheter_mm,mm_per_px"


class Study:
    """Frames whose files say what becomes of them, a list, and a folder for the tables."""

    def __init__(self, folder):
        self.folder = folder
        self.out = folder / "out"
        self.list = folder / "list.csv"
        self.files = {}

    def frames(self, commands):
        rows = [HEADER]
        for number, command in enumerate(commands):
            path = self.folder / f"frame{number:04d}.txt"
            path.write_text(json.dumps(command if isinstance(command, list) else [command]), encoding="utf-8")
            self.files[f"C{number:04d}"] = path
            rows.append(f"C{number:04d},{path.name},,,,,{number}.5 10,20 30,,,,,0.2")
        self.list.write_text("\n".join(rows) + "\n", encoding="utf-8")
        return self

    def arguments(self, *more, out=None):
        return [sys.executable, "-m", "tests.batch.fakes", "batch", self.list, "--out", out or self.out, *more]

    def start(self, *more, out=None, **options):
        arguments = [str(each) for each in self.arguments(*more, out=out)]
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
        return subprocess.Popen(arguments, **{**pipes, **options})

    def run(self, *more, out=None):
        process = self.start(*more, out=out)
        stdout, stderr = process.communicate(timeout=100)
        return process.returncode, stdout, stderr

    def times(self):
        """How often each frame was measured."""
        return {code: fakes.times(path) for code, path in self.files.items()}

    def ledger(self):
        return Ledger(self.out / "ledger.sqlite", readonly=True)

    def codes(self, *kinds):
        with self.ledger() as ledger:
            return [entry.code for entry in ledger.entries(kinds=kinds)]


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def workers():
    """Process numbers of all batch workers on this machine."""
    found = set()
    for process in Path("/proc").iterdir():
        if process.name.isdigit():
            try:
                words = (process / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if b"qca.batch.worker" in words and b"tests.batch.fakes:measure" in words:
                found.add(int(process.name))
    return found


@pytest.fixture
def study(tmp_path):
    return Study(tmp_path)
