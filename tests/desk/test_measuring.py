"""What is computed for the work, and what is shown of it: readings, glances of a drag, worksheets. No window."""

from dataclasses import replace
from pathlib import Path

import pytest

from qca.document import parse_reading, reading_to_json
from ui.desk.measuring import Measuring
from ui.desk.work import work_of

STILL = Path(__file__).parent.parent.parent / "sample_images" / "bifurcation.dcm"


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
    rough = reading_to_json(still_reading[1])  # what a glance finds is the worker's concern

    def answer(ticket, *, stale=False, error=""):
        from ui.desk.calculator import Answer

        job, _ = made.calculator.asked[ticket - 1]
        result = None if error else {"glance": rough} if job == "glance" else {"reading": still_reading[2]}
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


@pytest.fixture
def dragged(measuring, still_reading):
    """A work that was measured, with a point on the move: glances 2, 3 and 4 are asked for."""
    work = work_of(still_reading[0])
    measuring.follow(STILL, work)
    measuring.answer(1)
    for x in (300.0, 310.0, 320.0):
        measuring.follow(STILL, moved(work, x), dragging=True)
    assert jobs(measuring) == ["measure", "glance", "glance", "glance"]
    return measuring, work


def jobs(measuring):
    return [job for job, _ in measuring.calculator.asked]


def test_a_drag_asks_for_glances_and_shows_them_as_provisional(dragged):
    measuring, _ = dragged
    assert measuring.standing == "earlier"
    before = len(measuring.changes)
    measuring.answer(2, stale=True)
    assert len(measuring.changes) == before + 1
    assert measuring.standing == "provisional"
    assert not measuring.fresh
    assert measuring.busy
    assert len(jobs(measuring)) == 4  # the point is elsewhere by now: nothing is measured


def test_where_the_point_rests_it_is_measured_with_the_button_still_down(dragged):
    measuring, work = dragged
    measuring.answer(4)
    assert measuring.standing == "provisional"
    assert jobs(measuring)[4:] == ["measure"]
    assert measuring.calculator.asked[4][1] == measuring.calculator.asked[3][1]
    measuring.follow(STILL, moved(work, 320.0), dragging=True)  # a move of nothing
    measuring.answer(5)
    assert measuring.fresh
    assert measuring.standing == "current"
    measuring.follow(STILL, moved(work, 320.0))
    assert len(jobs(measuring)) == 5  # the release finds everything done
    assert measuring.fresh


def test_a_newer_move_forgets_the_wish_to_measure(dragged):
    measuring, work = dragged
    measuring.answer(4)
    measuring.calculator.forgotten.clear()
    measuring.follow(STILL, moved(work, 330.0), dragging=True)
    assert measuring.calculator.forgotten == ["measure"]
    assert jobs(measuring)[4:] == ["measure", "glance"]
    measuring.answer(5, stale=True)
    assert not measuring.fresh
    measuring.answer(6)
    assert measuring.standing == "provisional"
    assert jobs(measuring)[6:] == ["measure"]


def test_back_where_it_was_measured_the_reading_is_there_at_once(dragged):
    measuring, work = dragged
    measuring.answer(4)
    measuring.follow(STILL, moved(work, 330.0), dragging=True)
    measuring.answer(5, stale=True)
    measuring.follow(STILL, moved(work, 320.0), dragging=True)
    assert measuring.fresh
    measuring.answer(6, stale=True)
    assert measuring.fresh  # a glance never takes the place of a reading of the same work
    assert len(jobs(measuring)) == 6


def test_a_reading_that_comes_back_into_its_own_is_not_asked_for_again(dragged):
    measuring, work = dragged
    measuring.answer(4)
    measuring.follow(STILL, moved(work, 330.0), dragging=True)
    measuring.follow(STILL, moved(work, 320.0), dragging=True)
    measuring.answer(5, stale=True)
    assert measuring.fresh
    measuring.answer(7)
    measuring.follow(STILL, moved(work, 320.0))
    assert jobs(measuring)[4:] == ["measure", "glance", "glance"]
    assert measuring.fresh


def test_the_release_measures_at_once(dragged):
    measuring, work = dragged
    measuring.calculator.forgotten.clear()
    measuring.follow(STILL, moved(work, 320.0))
    assert jobs(measuring)[4:] == ["measure"]
    assert "glance" in measuring.calculator.forgotten
    measuring.answer(3, stale=True)
    assert measuring.standing == "earlier"  # of another place
    measuring.answer(4, stale=True)
    assert measuring.standing == "provisional"
    assert len(jobs(measuring)) == 5
    measuring.answer(5)
    assert measuring.fresh


def test_a_glance_is_never_remembered_planned_or_reported(dragged, tmp_path):
    measuring, work = dragged
    measuring.answer(4)
    assert measuring.shown.measured.text == ""
    assert measuring.shown.key is None
    assert len(measuring._known) == 1
    measuring.plan(moved(work, 320.0), wanted=True)
    measuring.report(STILL, moved(work, 320.0), tmp_path, planned=False)
    assert jobs(measuring)[4:] == ["measure"]
    measuring.follow(STILL, moved(work, 320.0))
    measuring.plan(moved(work, 320.0), wanted=True)
    measuring.report(STILL, moved(work, 320.0), tmp_path, planned=False)
    assert jobs(measuring)[4:] == ["measure"]
    measuring.answer(5)
    measuring.plan(moved(work, 320.0), wanted=True)
    assert jobs(measuring)[4:] == ["measure", "plan"]


def test_nothing_is_planned_while_a_point_is_dragged(dragged):
    measuring, work = dragged
    measuring.answer(4)
    measuring.answer(5)
    measuring.plan(work, wanted=True)
    assert "plan" not in jobs(measuring)
    measuring.follow(STILL, moved(work, 320.0))
    measuring.plan(moved(work, 320.0), wanted=True)
    assert jobs(measuring)[5:] == ["plan"]


def test_a_glance_that_fails_leaves_it_to_the_measurement_to_say_why(dragged):
    measuring, work = dragged
    measuring.answer(3, stale=True, error="no vessel there")
    assert jobs(measuring)[4:] == []
    measuring.answer(4, error="no vessel there")
    assert measuring.shown.problem == ""
    assert jobs(measuring)[4:] == ["measure"]
    measuring.answer(5, error="no vessel there, see below")
    assert measuring.shown.problem == "no vessel there, see below"
    assert not measuring.busy
    measuring.follow(STILL, moved(work, 320.0))
    assert measuring.shown.problem == "no vessel there, see below"
    assert [job for job in jobs(measuring)[5:] if job != "shaft"] == []


def test_a_press_that_moves_nothing_in_the_end_shows_the_old_reading_again(dragged):
    measuring, work = dragged
    measuring.answer(4)
    measuring.follow(STILL, work)
    assert measuring.fresh
    assert jobs(measuring)[4:] == ["measure"]  # that of the resting place, forgotten


def test_a_glance_of_another_file_or_another_drag_is_dropped(dragged):
    measuring, work = dragged
    measuring.follow(STILL, work)
    measuring.follow(STILL, moved(work, 400.0), dragging=True)
    measuring.answer(2, stale=True)
    assert measuring.standing == "earlier"
    measuring.clear()
    measuring.answer(5)
    assert measuring.shown.measured is None


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
