"""A small study from the first frame to the statistics, with the installed commands and the real measurement."""

import csv
import json
import os
import subprocess
import sys
import time

import pytest

from qca.store.ledger import Ledger


def run(*arguments, folder, code=0):
    # one thread, as the workers have: linear algebra on several sums in another order and differs in the last digits
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "ui.cli", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder, env=environment)
    assert done.returncode == code, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("walk")
    size = ("--kind", "segment", "--size", "144", "--mm-per-px", "0.25")
    run("phantom", *size, "--count", "4", "--out", "frames", folder=place)
    return place


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_study(folder):
    out = run(
        "list",
        "make",
        "frames",
        "--out",
        "study",
        "--readers",
        "R1,R2",
        "--reread",
        "0.6",
        "--washout-days",
        "0",
        folder=folder,
    )
    assert "12 reads for R1, R2" in out
    for reader in ("R1", "R2"):
        table = f"{reader}.csv"
        run("list", "rehearse", "study", "--key", "study-key.csv", "--reader", reader, "--out", table, folder=folder)
    # the first reader's batch is killed in the middle
    command = [sys.executable, "-m", "ui.cli", "batch", "R1.csv", "--list", "study", "--out", "R1", "--workers", "2"]
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    place = folder / "study" / "ledger.sqlite"
    until = time.monotonic() + 60
    while count_readings(place) < 2:
        assert process.poll() is None
        assert time.monotonic() < until
        time.sleep(0.05)
    process.kill()
    process.wait()
    for reader in ("R1", "R2"):
        out = run("batch", f"{reader}.csv", "--list", "study", "--out", reader, folder=folder)
        assert out.startswith("6 of 6 frames measured, 0 refused")
    assert count_readings(place) == 12
    assert run("list", "next", "study", "--reader", "R1", folder=folder).rstrip().endswith("(begun, not locked)")
    run("list", "unblind", "study", "--key", "study-key.csv", "--reason", "too early", folder=folder, code=1)
    run("agree", "--list", "study", folder=folder, code=1)
    for reader in ("R1", "R2"):
        assert run("list", "lock", "study", "--reader", reader, "--all", folder=folder) == "locked 6\n"
    run("list", "unblind", "study", "--key", "study-key.csv", "--reason", "all is locked", folder=folder)
    out = run("agree", "--list", "study", "--quantity", "mld", "--out", "agreement", folder=folder)
    assert "between R1, R2" in out
    with (folder / "agreement" / "agreement.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    pairs = {
        (row["comparison"], row["reads"]): int(row["value"].split(".")[0])
        for row in rows
        if row["statistic"] == "complete"
    }
    assert pairs == {
        ("intra-reader", "R1, pass 1; R1, pass 2"): 2,
        ("intra-reader", "R2, pass 1; R2, pass 2"): 2,
        ("inter-reader", "R1, pass 1; R2, pass 1"): 4,
    }
    run("ledger", "table", "study/ledger.sqlite", "--out", "tables", "--list", "study", folder=folder)
    with (folder / "tables" / "readings_wide.csv").open(encoding="utf-8", newline="") as file:
        wide = list(csv.DictReader(file))
    assert len(wide) == 12
    assert {row["state"] for row in wide} == {"locked"}
    assert len({row["item"] for row in wide}) == 4
    assert run("ledger", "check", "study/ledger.sqlite", folder=folder).startswith("intact: 26 entries")


def count_readings(place):
    with Ledger(place, readonly=True) as ledger:
        codes = [entry.code for entry in ledger.entries(kinds=["measured"])]
    assert len(codes) == len(set(codes))
    return len(codes)


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_batch_enters_what_measure_prints(folder):
    """The same frame and picks: the ledger's reading is the text of ``qca measure --json``, but for the file's name."""
    lines = (folder / "frames" / "list.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "frames" / "one.csv").write_text("".join(lines[:2]), encoding="utf-8")
    run("batch", "frames/one.csv", "--out", "plain", folder=folder)
    with (folder / "plain" / "readings_wide.csv").open(encoding="utf-8", newline="") as file:
        row = next(csv.DictReader(file))
    entered = json.loads(run("ledger", "reading", "plain/ledger.sqlite", row["entry"], folder=folder))
    name = f"frames/{row['code']}"
    printed = json.loads(run("measure", f"{name}.png", "--picks", f"{name}.picks.json", "--json", folder=folder))
    assert entered["frame"].pop("file") == row["code"]
    assert printed["frame"].pop("file") == f"{row['code']}.png"
    assert entered == printed
