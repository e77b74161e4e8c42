"""A batch on the local cores: whatever one frame does, the others are measured, once, and the tables say it all."""

import csv
import json
import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

from qca.batch.pool import LocalPool
from qca.errors import InputError
from qca.store.check import check
from qca.store.ledger import Ledger
from qca.store.tables import LONG_COLUMNS, REFUSED_COLUMNS, wide_columns
from tests.batch.conftest import HEADER, rows, workers

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"


def wait_for(condition, process=None, seconds=60):
    until = time.monotonic() + seconds
    while not condition():
        assert process is None or process.poll() is None, process.communicate()
        assert time.monotonic() < until, "waited too long"
        time.sleep(0.02)


def test_every_frame_is_in_the_tables(study):
    code, out, err = study.frames(["ok"] * 12).run("--workers", 2)
    assert (code, out) == (0, f"12 of 12 frames measured, 0 refused, tables in {study.out}\n")
    assert "12 of 12 frames" in err
    long, wide = rows(study.out / "readings_long.csv"), rows(study.out / "readings_wide.csv")
    assert [row["code"] for row in wide] == [f"C{n:04d}" for n in range(12)]  # the list's order
    assert tuple(long[0]) == tuple(LONG_COLUMNS)
    assert tuple(wide[0]) == wide_columns()
    assert rows(study.out / "refused.csv") == []
    mld = {row["code"]: float(row["value"]) for row in long if row["quantity"] == "mld" and row["unit"] == "mm"}
    assert mld == {f"C{n:04d}": 1 + (n + 0.5) / 1000 for n in range(12)}
    assert wide[3]["segment_mld_mm"] == repr(1 + 3.5 / 1000)
    with study.ledger() as ledger:
        assert check(ledger).entries == 12
    assert sorted(path.name for path in study.out.iterdir() if not path.name.startswith("ledger")) == [
        *("data_dictionary.csv", "readings_long.csv", "readings_wide.csv", "refused.csv")
    ]


def test_no_file_name_reaches_ledger_or_tables(study):
    study.frames(["ok", "no vessel", "raise"])
    for number, path in enumerate(list(study.files.values())):
        path.rename(path.with_name(f"DOE^JANE-{number}.txt"))
    study.list.write_text(study.list.read_text().replace("frame000", "DOE^JANE-"), encoding="utf-8")
    assert study.run()[0] == 0
    for path in study.out.iterdir():
        assert b"DOE" not in path.read_bytes(), path.name
    with study.ledger() as ledger:
        for _, document in ledger.raw_documents():
            assert b"DOE" not in document.text()
    assert "There is no vessel at 12,30 in the file" in (study.out / "refused.csv").read_text(encoding="utf-8")


def test_whatever_a_frame_does_the_rest_go_on(study):
    commands = [
        *("ok", "crash", "ok", "hang", "exit", "ok", "raise", "memory", "no vessel", "print", "ok"),
        ["killed", "ok"],  # somebody kills the worker once: it is tried again
        "ok",
    ]
    code, out, err = study.frames(commands).run("--workers", 2, "--seconds", 2)
    assert code == 0
    refused = {row["code"]: row for row in rows(study.out / "refused.csv")}
    assert tuple(next(iter(refused.values()))) == tuple(REFUSED_COLUMNS)
    kinds = {code: row["kind"] for code, row in refused.items()}
    crashed = dict.fromkeys(("C0001", "C0004", "C0006", "C0007"), "crash")
    assert kinds == {**crashed, "C0003": "time", "C0008": "measurement"}
    assert "signal 11 (SIGSEGV)" in refused["C0001"]["reason"]
    assert "longer than 2 s" in refused["C0003"]["reason"]
    assert "ended with code 3" in refused["C0004"]["reason"]
    assert "RuntimeError" in refused["C0006"]["reason"]
    assert (refused["C0001"]["tries"], refused["C0003"]["tries"], refused["C0006"]["tries"]) == ("2", "1", "1")
    measured = {row["code"] for row in rows(study.out / "readings_wide.csv")}
    assert measured == set(study.files) - set(refused)
    assert study.times()["C0011"] == 2
    assert "C0003: It took longer than 2 s" in err
    # again: nothing is measured; with --retry only the refused ones
    before = study.times()
    assert study.run()[0] == 0
    assert study.times() == before
    study.files["C0001"].write_text('["ok"]', encoding="utf-8")
    code, out, _ = study.run("--retry", "--seconds", 2, "--attempts", 1)
    assert out.startswith("8 of 13 frames measured, 5 refused")
    after = study.times()
    assert {code for code in after if after[code] > before[code]} == set(refused)
    # the refusal and the reading are both in the record
    with study.ledger() as ledger:
        assert [entry.kind for entry in ledger.entries(code="C0001")] == ["refused", "measured"]
        assert check(ledger).intact


def test_killed_with_kill_9_and_started_again(study):
    """Killed four times at different moments: nothing is lost, nothing measured twice but what was in work."""
    study.frames(["sleep 0.1"] * 90)
    confirmed = set()
    for turn in range(4):
        process = study.start("--workers", 2)
        target = len(confirmed) + 5 + turn
        wait_for((study.out / "ledger.sqlite").exists, process)
        wait_for(lambda n=target: len(study.codes("measured")) >= n, process)
        process.kill()
        process.communicate()
        now = set(study.codes("measured"))
        assert confirmed <= now  # nothing is lost
        confirmed = now
    wait_for(lambda: not workers())  # no process is left over
    assert len(confirmed) < 90
    code, out, _ = study.run("--workers", 2)
    assert (code, out.split(",")[0]) == (0, "90 of 90 frames measured")
    codes = study.codes("measured")
    assert sorted(codes) == sorted(set(codes)) == sorted(study.files)
    again = sum(count - 1 for count in study.times().values())
    assert again <= 4 * 4  # at most what was handed out, two frames to each worker, in each of the four kills
    assert len(rows(study.out / "readings_wide.csv")) == 90
    with study.ledger() as ledger:
        assert check(ledger).intact


def test_a_worker_killed_from_outside_is_replaced(study):
    study.frames(["sleep 0.3"] * 8)
    process = study.start("--workers", 2)
    wait_for(lambda: sum(study.times().values()) >= 3)
    children = workers()
    os.kill(min(children), signal.SIGKILL)
    _, stderr = process.communicate(timeout=60)
    assert process.returncode == 0
    assert len(rows(study.out / "readings_wide.csv")) == 8, stderr


def test_ctrl_c_ends_in_order_and_goes_on(study):
    study.frames(["sleep 0.2"] * 30)
    process = study.start("--workers", 2)
    wait_for(lambda: sum(study.times().values()) >= 6)
    process.send_signal(signal.SIGINT)
    stdout, stderr = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "frames to go: the same line goes on from here" in stderr
    stopped = [row for row in rows(study.out / "refused.csv") if row["kind"] == "stopped"]
    assert len(stopped) + len(rows(study.out / "readings_wide.csv")) == 30
    assert study.run("--workers", 4)[1].startswith("30 of 30")
    assert stdout.split(",")[0] != "30 of 30 frames measured"


def test_two_runs_share_one_ledger(study, tmp_path):
    """Two folders, one ledger, both start at once: every frame is measured once, both tables are whole."""
    study.frames(["sleep 0.05"] * 40)
    place = tmp_path / "shared.sqlite"
    outs = [tmp_path / "a", tmp_path / "b"]
    runs = [study.start("--workers", 2, "--ledger", place, out=out) for out in outs]
    for run in runs:
        stdout, stderr = run.communicate(timeout=100)
        assert run.returncode == 0, stderr
        assert stdout.startswith("40 of 40 frames measured")
    assert set(study.times().values()) == {1}
    assert (outs[0] / "readings_wide.csv").read_bytes() == (outs[1] / "readings_wide.csv").read_bytes()


def test_one_run_takes_over_what_a_killed_one_had(study, tmp_path):
    study.frames(["hang"] * 2 + ["ok"] * 3)
    place = tmp_path / "shared.sqlite"
    first = study.start("--workers", 2, "--ledger", place, out=tmp_path / "a")
    wait_for(lambda: sum(study.times().values()) >= 2)
    for path in study.files.values():
        path.write_text('["ok"]', encoding="utf-8")
    second = study.start("--workers", 2, "--ledger", place, out=tmp_path / "b")
    time.sleep(2)
    assert second.poll() is None  # it waits for the first one
    first.kill()
    first.communicate()
    stdout, _ = second.communicate(timeout=60)
    assert stdout.startswith("5 of 5 frames measured")


def test_one_folder_serves_one_run(study):
    study.frames(["hang"] * 2)  # however busy the machine is, the first run is at work when the second begins
    first = study.start()
    try:
        wait_for(lambda: sum(study.times().values()) >= 1)
        code, _, err = study.run()
        assert code == 1
        assert "Another batch is writing into" in err
    finally:
        first.kill()
        first.communicate()


def test_a_dry_run_changes_nothing(study):
    study.frames(["ok", "ok", "no vessel"])
    study.files["C0001"].unlink()
    code, out, _ = study.run("--dry-run")
    assert (code, not study.out.exists()) == (0, True)
    assert out == "3 rows: 0 measured before, 0 refused before, 3 to measure, 1 of them without a usable row or file\n"
    study.run()
    before = (study.out / "ledger.sqlite").read_bytes()
    _, out, _ = study.run("--dry-run")
    assert out.startswith("3 rows: 1 measured before, 2 refused before, 0 to measure")
    assert (study.out / "ledger.sqlite").read_bytes() == before


def test_a_file_that_was_put_right_is_measured_without_being_asked(study):
    study.frames(["ok", "ok"])
    text = study.files["C0001"].read_text(encoding="utf-8")
    study.files["C0001"].unlink()
    study.run()
    assert [row["kind"] for row in rows(study.out / "refused.csv")] == ["crash"] or rows(study.out / "refused.csv")
    study.files["C0001"].write_text(text, encoding="utf-8")
    code, out, _ = study.run("--retry")
    assert (code, out.split(",")[0]) == (0, "2 of 2 frames measured")


def test_changed_picks_are_measured_anew_and_unchanged_ones_are_not(study):
    study.frames(["ok"] * 3)
    study.run()
    study.list.write_text(study.list.read_text().replace("1.5 10", "91.5 10"), encoding="utf-8")
    assert study.run()[0] == 0
    assert study.times() == {"C0000": 1, "C0001": 2, "C0002": 1}
    assert rows(study.out / "readings_wide.csv")[1]["segment_mld_mm"] == repr(1 + 91.5 / 1000)
    assert len(study.codes("measured")) == 4


def test_a_full_disk_is_one_sentence_and_the_run_goes_on_later(study, tmp_path):
    if os.geteuid() != 0:
        pytest.skip("mounting a small disk needs root")
    study.frames(["ok"] * 60)
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", disk], capture_output=True, check=False
    ).returncode:
        pytest.skip("this machine does not let us mount a small disk")
    study.out = disk / "out"
    try:
        code, _, err = study.run("--workers", 2)
        assert code == 1
        assert "full" in err or "No space left" in err
        assert "Traceback" not in err
        with study.ledger() as ledger:
            kept = ledger.head().seq
            assert check(ledger).intact
        assert 0 < kept < 60
        assert not list(study.out.glob("*.part")) + list(study.out.glob(".*.part"))
        subprocess.run(["mount", "-o", "remount,size=20m", disk], check=True)
        assert study.run("--workers", 2)[1].startswith("60 of 60")
        assert sorted(study.codes("measured")) == sorted(study.files)
    finally:
        subprocess.run(["umount", "-l", disk], check=True)


def test_a_folder_that_is_a_file(study):
    study.frames(["ok"])
    study.out.write_text("here", encoding="utf-8")
    code, _, err = study.run()
    assert code == 1
    assert err.count("\n") == 1
    assert study.times() == {"C0000": 0}


BAD_LISTS = {
    "no such column": (HEADER.replace("file", "fiel") + "\nC1,a.txt\n", "did you mean 'file'"),
    "no code": ("file,frame\na.txt,0\n", "lacks the column code"),
    "a code twice": (HEADER + "\nC1,a.txt\nC2,b.txt\nC1,c.txt\n", "lines 2 and 4, have the same code 'C1'"),
    "an empty code": (HEADER + "\n,a.txt\n", "line 2: the code '' is empty"),
    "an unprintable code": (HEADER + "\nC\x07,a.txt\n", "is empty, too long or unprintable"),
    "too many cells": (HEADER + "\nC1,a.txt,,1,2,3,4,5,6,7,8,9,10,11\n", "14 cells under 13 columns"),
    "no rows": (HEADER + "\n", "no rows below its header"),
    "empty": ("", "is empty"),
    "mixed encodings": (HEADER.encode() + b"\nC1,a.txt\nC2,M\xfcller.txt\n", "not UTF-8 text"),
    "pass zero": (HEADER + ",pass\nC1,a.txt,,,,,,,,,,,,0\n", "passes are counted from 1"),
}


@pytest.mark.parametrize("case", BAD_LISTS)
def test_a_bad_list_is_one_sentence_and_nothing_is_done(qca, tmp_path, case):
    text, words = BAD_LISTS[case]
    path = tmp_path / "list.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    code, out, err = qca("batch", path, "--out", tmp_path / "out")
    assert (code, out) == (1, "")
    assert err.count("\n") == 1
    assert words in err
    assert not (tmp_path / "out").exists()


BAD_ROWS = {
    "missing file": ("none.png,,,,,1 2,3 4,,,,,0.2", "input", "the file"),
    "no file": (",,,,,1 2,3 4,,,,,0.2", "input", "names no file"),
    "outside": ("../../etc/passwd,,,,,1 2,3 4,,,,,0.2", "input", "outside the list's folder"),
    "not a frame": ("list.csv,,,,,1 2,3 4,,,,,0.2", "input", "not a DICOM, PNG or TIFF file"),
    "bad point": ("a.png,,,,,1;2,3 4,,,,,0.2", "input", "start is '1;2'"),
    "one coordinate": ("a.png,,,,,1,3 4,,,,,0.2", "input", "start is '1'"),
    "bad number": ("a.png,,,,,1 2,3 4,,,,,wide", "input", "mm_per_px is 'wide'"),
    "bad frame": ("a.png,-1,,,,1 2,3 4,,,,,0.2", "input", "frame is '-1'"),
    "half a catheter": ("a.png,,,,,1 2,3 4,9 9,,6,,", "input", "only one of catheter_a and catheter_b"),
    "two scales": ("a.png,,,,,1 2,3 4,9 9,8 8,6,,0.2", "picks", "in 2 ways"),
    "infinite": ("a.png,,,,,inf 2,3 4,,,,,0.2", "picks", "finite"),
    "bad scale": ("a.png,,,,,1 2,3 4,,,,,0", "picks", "above 0"),
}


def test_the_last_line_of_a_run_that_goes_on_agrees_with_its_summary(study):
    study.frames(["no vessel", "no vessel", "ok"])
    assert study.run()[0] == 0
    study.frames(["no vessel", "no vessel", "ok", "no vessel", "ok"])
    code, out, err = study.run()
    assert code == 0
    assert out.startswith("2 of 5 frames measured, 3 refused")
    assert err.splitlines()[-1].startswith("5 of 5 frames, 3 refused, ")


def test_a_bad_row_is_refused_and_the_others_are_measured(study):
    study.frames(["ok"])
    lines = study.list.read_text(encoding="utf-8").splitlines()
    lines += [f"B{number:02d},{cells}" for number, (cells, _, _) in enumerate(BAD_ROWS.values())]
    study.list.write_text("\n".join(lines) + "\n", encoding="utf-8")
    from qca.batch import task

    process = study.start()  # the fake opens no frames: those rows are tried by the real function below
    process.communicate(timeout=60)
    assert process.returncode == 0
    refused = rows(study.out / "refused.csv")
    assert len(refused) == len(BAD_ROWS)
    assert task.MEASURE == "qca.batch.task:measure_file"
    for row, (name, (_, kind, words)) in zip(refused, BAD_ROWS.items(), strict=True):
        if name not in ("missing file", "not a frame"):
            assert (row["kind"], words.lower() in row["reason"].lower()) == (kind, True), (name, row)
    # and again: they are reported again, but not entered again
    with study.ledger() as ledger:
        end = ledger.head()
    study.run()
    with study.ledger() as ledger:
        assert ledger.head() == end
    assert len(rows(study.out / "refused.csv")) == len(BAD_ROWS)


def test_files_that_are_no_frames_are_refused_by_the_real_reader(qca, tmp_path):
    path = tmp_path / "list.csv"
    path.write_text(f"{HEADER}\nC1,none.png,,,,,1 2,3 4,,,,,0.2\nC2,list.csv,,,,,1 2,3 4,,,,,0.2\n", encoding="utf-8")
    code, _, err = qca("batch", path, "--out", tmp_path / "out")
    assert code == 1
    assert "Not one frame of list.csv could be measured" in err
    refused = rows(tmp_path / "out" / "refused.csv")
    assert [row["kind"] for row in refused] == ["input", "input"]
    assert "none.png" not in refused[0]["reason"]
    assert "DICOM, PNG or TIFF" in refused[1]["reason"]
    # the missing file appears: it is tried again without being asked
    shutil.copy("sample_images/segment.png", tmp_path / "none.png")
    picks = json.loads((tmp_path.cwd() / "sample_images" / "segment.picks.json").read_text(encoding="utf-8"))
    start, end = (" ".join(map(str, picks[name])) for name in ("start", "end"))
    text = path.read_text(encoding="utf-8").replace("C1,none.png,,,,,1 2,3 4", f"C1,none.png,,,,,{start},{end}")
    path.write_text(text, encoding="utf-8")
    assert qca("batch", path, "--out", tmp_path / "out")[0] == 0
    assert [row["code"] for row in rows(tmp_path / "out" / "readings_wide.csv")] == ["C1"]


@pytest.mark.parametrize(
    "write",
    [
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.encode("utf-16"),
        lambda text: text.encode("utf-8-sig"),
    ],
)
def test_lists_as_other_systems_write_them(study, write):
    study.frames(["ok"] * 2)
    study.list.write_bytes(write(study.list.read_text(encoding="utf-8")))
    assert study.run()[1].startswith("2 of 2")


def test_a_list_with_semicolons_and_decimal_commas(study):
    study.frames(["ok"] * 2)
    text = study.list.read_text(encoding="utf-8").replace(",", ";").replace(".5 10", ",5 10").replace("0.2", "0,2")
    study.list.write_text(text, encoding="utf-8")
    assert study.run()[1].startswith("2 of 2")
    assert rows(study.out / "readings_wide.csv")[1]["segment_mld_mm"] == repr(1 + 1.5 / 1000)


def test_parquet_holds_the_same_values(study):
    from pyarrow import parquet

    study.frames(["ok"] * 3).run("--parquet")
    for name in ("readings_long", "readings_wide"):
        table = parquet.read_table(study.out / f"{name}.parquet").to_pylist()
        text = rows(study.out / f"{name}.csv")
        assert len(table) == len(text)
        for mine, theirs in zip(table, text, strict=True):
            assert list(mine) == list(theirs)
            for key, value in mine.items():
                shown = theirs[key]
                if isinstance(value, bool):
                    assert shown == str(int(value))
                elif isinstance(value, (int, float)):
                    assert float(shown) == value
                else:
                    assert shown == (value or "")


def test_the_dictionary_explains_every_column_and_quantity(study):
    study.frames(["ok"]).run()
    dictionary = rows(study.out / "data_dictionary.csv")
    for table in ("readings_long", "readings_wide", "refused"):
        named = {row["name"] for row in dictionary if row["table"] == table and row["kind"] == "column"}
        with (study.out / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            assert named == set(next(csv.reader(file)))
    quantities = {row["name"] for row in dictionary if row["kind"] == "quantity"}
    assert {row["quantity"] for row in rows(study.out / "readings_long.csv")} <= quantities
    assert not [row for row in dictionary if row["meaning"] in ("", "see README.md")]


def test_workers_that_cannot_start_are_one_sentence():
    pool = LocalPool(1, seconds=5, measure="tests.batch.nowhere:measure")
    try:
        with pytest.raises(InputError, match=r"cannot be started here.*No module named 'tests.batch.nowhere'"):
            pool.result(60)
    finally:
        pool.close()


def test_no_scheduler_is_one_sentence(study):
    study.frames(["ok"])
    from unittest import mock

    from qca.batch import cluster

    with mock.patch.object(cluster, "CONNECT_SECONDS", 1), pytest.raises(InputError, match="No Dask scheduler answers"):
        cluster.ClusterPool("tcp://127.0.0.1:1", seconds=5)
    with pytest.raises(InputError, match="No Dask scheduler answers"):
        cluster.ClusterPool("rubbish://x", seconds=5)


def test_a_locked_read_is_not_measured_over(study):
    from qca.store.entry import Draft

    study.frames(["ok", "ok"]).run()
    with Ledger(study.out / "ledger.sqlite") as ledger:
        ledger.append(Draft("locked", "coordinator", code="C0000"))
        ledger.append(Draft("withdrawn", "coordinator", code="C0001", reason="wrong frame"))
    study.list.write_text(study.list.read_text().replace("0.5 10", "70.5 10"), encoding="utf-8")
    code, _, err = study.run()
    assert "C0000 is locked: unlock it first" in err
    assert [row["code"] for row in rows(study.out / "readings_wide.csv")] == []
    assert code == 1
    assert ("C0001", "withdrawn") in [(row["code"], row["kind"]) for row in rows(study.out / "refused.csv")]


def test_a_worker_sends_what_the_tables_need():
    """The table of a run in progress has the rows that the whole reading would give, from a part of its text."""
    from types import SimpleNamespace

    from qca.batch.task import Task, measure_file, perform
    from qca.codec import encode
    from qca.picks_file import picks_to_json, read_picks
    from qca.settings import DEFAULT_SETTINGS
    from qca.store.tables import Read, long_rows

    picks = picks_to_json(read_picks(SAMPLES / "segment.picks.json"))
    task = Task("k", "K", str(SAMPLES / "segment.png"), picks, encode(DEFAULT_SETTINGS))
    outcome = perform(task, measure_file)
    assert outcome.kind == "", outcome.message
    whole, sent = json.loads(outcome.reading.text()), outcome.facts["numbers"]
    entry = SimpleNamespace(code="K", reader="R1", passage=1, seq=1)
    assert list(map(repr, long_rows(Read(entry, "open", sent)))) == list(
        map(repr, long_rows(Read(entry, "open", whole)))
    )
    assert len(json.dumps(sent)) < outcome.reading.size / 5
