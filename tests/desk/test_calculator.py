"""The measuring process: the newest wins, a crash is survived, closing is clean. No window."""

import os
import queue
import shutil
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from qca import codec
from qca.picks_file import picks_to_json
from qca.settings import DEFAULT_SETTINGS
from ui.desk import worker
from ui.desk.calculator import Calculator
from ui.desk.work import Work

HERE = Path(__file__).parent
STILL = HERE.parent.parent / "sample_images" / "bifurcation.dcm"
PATIENCE_S = 60


@pytest.fixture
def odd():
    answers = queue.Queue()
    calculator = Calculator(answers.put, [sys.executable, str(HERE / "odd_worker.py")])
    calculator.answers = answers
    yield calculator
    calculator.close()


def test_answers_come_back(odd):
    ticket = odd.ask("measure", {"echo": "x" * 100_000})
    answer = odd.answers.get(timeout=PATIENCE_S)
    assert (answer.ticket, answer.stale, answer.error) == (ticket, False, "")
    assert answer.result["echo"] == "x" * 100_000


def test_of_many_questions_only_the_newest_is_fresh(odd):
    tickets = [odd.ask("measure", {"echo": k, "seconds": 0.5}) for k in range(30)]
    seen = []
    while not seen or seen[-1].ticket != tickets[-1]:
        seen.append(odd.answers.get(timeout=PATIENCE_S))
    assert len(seen) <= 2  # the one under way, and the newest; those between were never computed
    assert [answer.stale for answer in seen] == [True] * (len(seen) - 1) + [False]
    assert not odd.busy


def test_kinds_do_not_displace_each_other(odd):
    odd.ask("measure", {"seconds": 0.2})
    odd.ask("plan", {"echo": "plan"})
    odd.ask("shaft", {"echo": "shaft"})
    found = {odd.answers.get(timeout=PATIENCE_S).job for _ in range(3)}
    assert found == {"measure", "plan", "shaft"}


def test_an_answer_that_is_no_longer_wanted_is_stale(odd):
    odd.ask("measure", {"seconds": 1.0})
    while odd._running is None:
        time.sleep(0.01)
    odd.forget("measure")
    assert not odd.busy
    assert odd.answers.get(timeout=PATIENCE_S).stale


def test_a_crash_is_said_and_survived(odd):
    odd.ask("measure", {"die": True})
    answer = odd.answers.get(timeout=PATIENCE_S)
    assert answer.result is None
    assert "started anew" in answer.error
    odd.ask("measure", {"echo": "again"})
    assert odd.answers.get(timeout=PATIENCE_S).result["echo"] == "again"


def test_sentences_and_mistakes_of_the_program(odd, capfd):
    odd.ask("measure", {"say": "pick on the lumen"})
    assert odd.answers.get(timeout=PATIENCE_S).error == "pick on the lumen"
    odd.ask("measure", {"fault": True})
    assert "nobody thought of this" in odd.answers.get(timeout=PATIENCE_S).error
    assert "Traceback" in capfd.readouterr().err


def test_a_job_that_hangs_is_given_up_for_a_newer_one(odd, monkeypatch):
    monkeypatch.setattr("ui.desk.calculator.PATIENCE_S", 0.2)
    odd.ask("measure", {"seconds": 60})
    while odd._running is None:
        time.sleep(0.01)
    time.sleep(0.3)
    odd.ask("measure", {"echo": "newer"})
    first, second = (odd.answers.get(timeout=PATIENCE_S) for _ in range(2))
    assert first.stale
    assert second.result["echo"] == "newer"


def test_a_job_that_hangs_is_given_up_for_another_kind_when_it_is_not_wanted_any_more(odd, monkeypatch):
    monkeypatch.setattr("ui.desk.calculator.PATIENCE_S", 0.2)
    odd.ask("measure", {"seconds": 60})
    while odd._running is None:
        time.sleep(0.01)
    time.sleep(0.3)
    odd.ask("plan", {"echo": "behind it"})
    assert odd._running.job == "measure"  # still wanted: it may take its time
    odd.forget("measure")
    odd.ask("glance", {"echo": "newer"})
    first = odd.answers.get(timeout=PATIENCE_S)
    assert (first.job, first.stale) == ("measure", True)
    assert {odd.answers.get(timeout=PATIENCE_S).result["echo"] for _ in range(2)} == {"behind it", "newer"}


def test_closing_during_a_job_is_quick_and_silent(odd):
    odd.ask("measure", {"seconds": 60})
    while odd._running is None:
        time.sleep(0.01)
    begin = time.monotonic()
    odd.close()
    assert time.monotonic() - begin < 30  # the job would take 60
    assert odd.answers.empty()
    assert odd._process is None


@pytest.fixture
def message(still_reading):
    picks, _, _ = still_reading
    return {"file": str(STILL), "picks": picks_to_json(picks), "settings": codec.encode(DEFAULT_SETTINGS)}


def test_the_process_gives_the_very_bytes_of_the_command_line(message, still_reading, qca):
    answers = queue.Queue()
    calculator = Calculator(answers.put)
    try:
        calculator.ask("measure", message)
        text = answers.get(timeout=PATIENCE_S).result["reading"]
    finally:
        calculator.close()
    code, printed, _ = qca("measure", STILL, "--picks", STILL.with_name("bifurcation.picks.json"), "--json")
    assert code == 0
    assert text == printed


def ask(frames, message, job, **changes):
    return worker.answer({**message, **changes, "job": job, "ticket": 1}, frames)


def test_a_frame_is_kept_with_its_catheter_until_anything_about_it_changes(message, still_reading, tmp_path):
    file = tmp_path / "still.dcm"
    shutil.copy(STILL, file)
    frames = worker.Frames()
    kept = frames.at_hand(str(file), None, DEFAULT_SETTINGS)
    assert frames.at_hand(str(file), None, DEFAULT_SETTINGS) is kept
    other = frames.at_hand(str(file), None, replace(DEFAULT_SETTINGS, angle_chord_mm=4.0))
    assert other is not kept
    assert other.frame is kept.frame
    os.utime(file, (1, 1))
    assert frames.at_hand(str(file), None, other.settings).frame is not kept.frame
    assert frames.at_hand(str(STILL), None, other.settings).frame.file == STILL.name


def test_glances_are_flagged_have_no_text_and_leave_the_measurement_as_it_is(message, still_reading):
    frames = worker.Frames()
    glance = ask(frames, message, "glance")["result"]
    assert set(glance) == {"glance"}
    assert "provisional" in {flag["code"] for flag in glance["glance"]["flags"]}
    moved = {**message["picks"], "side": [message["picks"]["side"][0] - 3.0, message["picks"]["side"][1]]}
    assert "glance" in ask(frames, message, "glance", picks=moved)["result"]
    assert ask(frames, message, "measure")["result"]["reading"] == still_reading[2]


def test_jobs_turn_what_users_can_mend_into_sentences(message, tmp_path):
    frames = worker.Frames()
    for job in ("measure", "glance"):
        assert "cannot be opened" in ask(frames, message, job, file=str(tmp_path / "gone.dcm"))["error"]
        assert "side" in ask(frames, message, job, picks={**message["picks"], "side": None})["error"]
        off = {**message["picks"], "side": [504.0, 504.0]}
        assert ask(frames, message, job, picks=off)["error"]
    assert "Traceback" in ask(frames, message, "nothing of that name")["fault"]


def test_the_shaft_is_looked_at_without_any_vessel_point(message, still_reading):
    picks, reading, _ = still_reading
    alone = replace(picks, proximal=None, distal=None, side=None)
    job = {**message, "picks": picks_to_json(alone), "job": "shaft", "ticket": 1}
    found = worker.answer(job, worker.Frames())["result"]
    sd = found["scale"]["sd_mm_per_px"]
    assert found["scale"]["mm_per_px"] == pytest.approx(reading.scale.mm_per_px, abs=3 * sd)
    assert len(found["left_px"]) == len(found["right_px"]) > 10


def test_worksheet_and_report_from_a_reading(still_reading, tmp_path):
    _, _, text = still_reading
    plan = {"devices": str(STILL.with_name("demo_devices.csv")), "case": codec.encode(Work().plan.case), "fixed": [],
            "technique": "provisional"}  # fmt: skip
    frames = worker.Frames()
    sheet = worker.answer({"job": "plan", "ticket": 1, "reading": text, **plan}, frames)["result"]["worksheet"]
    assert sheet["technique"] == "provisional"
    job = {"job": "report", "ticket": 2, "reading": text, "file": str(STILL), "folder": str(tmp_path / "r"),
           "planned": True, **plan}  # fmt: skip
    written = worker.answer(job, frames)["result"]["written"]
    assert {Path(path).name for path in written} == {
        "reading.json", "profile.csv", "overlay.png", "report.html", "worksheet.json", "worksheet.html",
    }  # fmt: skip
    assert (tmp_path / "r" / "reading.json").read_text(encoding="utf-8") == text
    gone = worker.answer({**job, "devices": str(tmp_path / "gone.csv")}, frames)
    assert "gone.csv" in gone["error"]
