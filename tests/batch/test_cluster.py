"""A batch on a Dask cluster of separate processes, one of which is killed on the way."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from qca.store.check import check
from tests.batch.conftest import rows
from tests.batch.test_batch import wait_for

pytest.importorskip("distributed")


@pytest.fixture
def cluster(tmp_path):
    """A scheduler and two workers, each a process of its own."""
    started = []
    environment = {**os.environ, "PYTHONPATH": str(Path.cwd()), "OMP_NUM_THREADS": "1"}

    def start(*arguments):
        log = (tmp_path / f"dask{len(started)}.log").open("wb")
        process = subprocess.Popen(
            [sys.executable, "-m", *map(str, arguments)], stdout=log, stderr=log, env=environment, cwd=tmp_path
        )
        log.close()
        started.append(process)
        return process

    place = tmp_path / "scheduler.json"
    start(
        "distributed.cli.dask_scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        "0",
        "--no-dashboard",
        "--scheduler-file",
        place,
    )
    wait_for(place.exists)
    import json

    wait_for(lambda: place.read_text(encoding="utf-8").strip().endswith("}"))
    address = json.loads(place.read_text(encoding="utf-8"))["address"]
    workers = [
        start(
            "distributed.cli.dask_worker",
            address,
            "--nthreads",
            "1",
            "--no-dashboard",
            "--no-nanny",
            "--local-directory",
            tmp_path / f"w{n}",
        )
        for n in range(2)
    ]
    yield address, workers, started[0]
    for process in reversed(started):
        process.kill()
        process.wait()


def test_a_cluster_measures_a_list_and_survives_a_dead_worker(study, cluster):
    address, workers, _ = cluster
    study.frames(["sleep 0.15", "sleep 0.15", "crash", "no vessel", "hang", *["sleep 0.15"] * 19])
    process = study.start("--scheduler", address, "--seconds", 4)
    wait_for(lambda: sum(study.times().values()) >= 6, process)
    workers[0].send_signal(signal.SIGKILL)
    stdout, stderr = process.communicate(timeout=90)
    assert process.returncode == 0, stderr
    assert stdout.startswith("21 of 24 frames measured, 3 refused"), stderr
    kinds = {row["code"]: row["kind"] for row in rows(study.out / "refused.csv")}
    assert kinds == {"C0002": "crash", "C0003": "measurement", "C0004": "time"}
    with study.ledger() as ledger:
        assert check(ledger).intact
        codes = [entry.code for entry in ledger.entries(kinds=["measured"])]
    assert len(codes) == len(set(codes)) == 21


def test_the_whole_cluster_goes_away(study, cluster):
    address, workers, scheduler = cluster
    study.frames(["sleep 0.3"] * 20)
    process = study.start("--scheduler", address)
    wait_for(lambda: sum(study.times().values()) >= 4, process)
    for each in (*workers, scheduler):
        each.kill()
    _, stderr = process.communicate(timeout=90)
    assert process.returncode == 1, stderr
    assert "went away" in stderr
    assert "Traceback" not in stderr
    # the same list goes on here
    assert study.run("--workers", 2)[1].startswith("20 of 20 frames measured")
    codes = study.codes("measured")
    assert len(codes) == len(set(codes)) == 20
