"""The measuring process: the newest wins, a crash is survived, closing is clean. No window."""

import queue
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from qca import codec
from qca.document import parse_reading
from qca.picks_file import picks_to_json
from qca.settings import DEFAULT_SETTINGS
from ui.desk import worker
from ui.desk.calculator import Calculator
from ui.desk.measuring import Measuring
from ui.desk.work import Work, work_of

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


def test_jobs_turn_what_users_can_mend_into_sentences(message, tmp_path):
    frames = worker.Frames()

    def ask(job, **changes):
        return worker.answer({**message, **changes, "job": job, "ticket": 1}, frames)

    assert "cannot be opened" in ask("measure", file=str(tmp_path / "gone.dcm"))["error"]
    assert "side" in ask("measure", picks={**message["picks"], "side": None})["error"]
    off = {**message["picks"], "side": [3.0, 3.0]}
    assert ask("measure", picks=off)["error"]
    assert "Traceback" in ask("nothing of that name")["fault"]


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


class FakeCalculator:
    """Keeps what is asked; answers when told."""

    def __init__(self, deliver):
        self.deliver, self.asked, self.forgotten = deliver, [], []

    def ask(self, job, message):
        self.asked.append((job, message))
        return len(self.asked)

    def forget(self, job):
        self.forgotten.append(job)

    def close(self):
        pass


@pytest.fixture
def measuring(monkeypatch, still_reading):
    monkeypatch.setattr("ui.desk.measuring.Calculator", FakeCalculator)
    changes = []
    made = Measuring(lambda action: action(), lambda: changes.append(1), lambda written, problem: None)
    made.changes = changes

    def answer(ticket, *, stale=False, error=""):
        from ui.desk.calculator import Answer

        job, _ = made.calculator.asked[ticket - 1]
        result = None if error else {"reading": still_reading[2]}
        made._arrived(Answer(ticket, job, stale, result, error, 0.1))

    made.answer = answer
    return made


def moved(work, x):
    return replace(work, side=(x, 300.0))


def test_a_reading_belongs_to_the_work_it_was_made_of(measuring, still_reading):
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    assert measuring.busy
    assert not measuring.fresh
    measuring.answer(1)
    assert measuring.fresh
    assert not measuring.busy
    measuring.follow(STILL, moved(work, 300.0))
    assert not measuring.fresh  # the old lines are still shown, but not as this work's
    assert measuring.shown.measured is not None


def test_a_stale_answer_is_dropped(measuring, still_reading):
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    measuring.follow(STILL, moved(work, 300.0))
    measuring.answer(1, stale=True)
    assert measuring.shown.measured is None
    measuring.answer(2)
    assert measuring.fresh


def test_answers_of_a_drag_are_shown_as_provisional(measuring, still_reading):
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    measuring.answer(1)
    for x in (300.0, 310.0, 320.0):
        measuring.follow(STILL, moved(work, x), dragging=True)
    before = len(measuring.changes)
    measuring.answer(2, stale=True)
    assert len(measuring.changes) == before + 1
    assert not measuring.fresh
    measuring.follow(STILL, moved(work, 320.0))
    measuring.answer(4)
    assert measuring.fresh


def test_an_answer_from_before_the_drag_is_not_shown_in_it(measuring, still_reading):
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    measuring.follow(STILL, moved(work, 300.0), dragging=True)
    measuring.answer(1, stale=True)
    assert measuring.shown.measured is None


def test_undo_shows_its_reading_at_once(measuring, still_reading):
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    measuring.answer(1)
    measuring.follow(STILL, moved(work, 300.0))
    measuring.answer(2)
    measuring.follow(STILL, work)
    assert measuring.fresh
    assert len(measuring.calculator.asked) == 2


def test_an_error_belongs_to_its_work_too(measuring, still_reading):
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    measuring.answer(1, error="no vessel there")
    assert measuring.shown.problem == "no vessel there"
    assert not measuring.busy
    measuring.follow(STILL, moved(work, 300.0))
    assert measuring.shown.problem == ""


def test_missing_points_ask_for_the_shaft_alone(measuring, still_reading):
    work = replace(work_of(still_reading[0]), side=None)
    measuring.follow(STILL, work)
    assert [job for job, _ in measuring.calculator.asked] == ["shaft"]
    assert measuring.calculator.asked[0][1]["picks"]["proximal"] is None


def test_the_worksheet_waits_for_a_fresh_reading(measuring, still_reading):
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    measuring.plan(work, wanted=True)
    assert [job for job, _ in measuring.calculator.asked] == ["measure"]
    measuring.answer(1)
    measuring.plan(work, wanted=True)
    measuring.plan(work, wanted=True)
    assert [job for job, _ in measuring.calculator.asked] == ["measure", "plan"]
    assert parse_reading(measuring.calculator.asked[1][1]["reading"]) is not None


def test_another_file_forgets_everything(measuring, still_reading):
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    measuring.clear()
    measuring.answer(1)
    assert measuring.shown.measured is None
