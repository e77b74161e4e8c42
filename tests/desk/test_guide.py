"""What the guided column says next. No window."""

from dataclasses import replace

import pytest

from ui.desk import guide
from ui.desk.guide import Situation, Step
from ui.desk.hints import hint
from ui.desk.work import NO_SCALE, PlanChoice, ScaleChoice, Work

OPEN = Situation(work=Work(), file="a.dcm", frames=12)
POINTS = {"proximal": (1.0, 1.0), "distal": (50.0, 1.0), "side": (1.0, 50.0)}
SCALED = Work(frame=3, catheter_a=(9.0, 9.0), catheter_b=(9.0, 60.0), scale=ScaleChoice(french=6.0))
PICKED = replace(SCALED, **POINTS)


def path():
    """A measurement step by step, and what the hint must speak of."""
    yield Situation(work=Work()), "Open a frame"
    yield OPEN, "well-filled frame"
    yield replace(OPEN, suggested=5), "Suggested: frame 5"
    yield replace(OPEN, step=Step.SCALE, armed="catheter_a"), "first of two points"
    yield replace(OPEN, step=Step.SCALE, armed="catheter_b"), "second of two points"
    yield replace(OPEN, step=Step.SCALE, work=replace(SCALED, scale=ScaleChoice()), shown=3), "how thick"
    yield replace(OPEN, step=Step.SCALE, work=SCALED, shown=3), "grey lines"
    yield replace(OPEN, step=Step.SCALE, work=SCALED, shown=3, scale="doubt"), "doubtful"
    yield replace(OPEN, step=Step.SCALE, work=Work(scale=ScaleChoice("typed"))), "Type the scale"
    yield replace(OPEN, step=Step.SCALE, work=Work(scale=ScaleChoice("header"))), "one depth"
    yield replace(OPEN, step=Step.SCALE, work=Work(scale=NO_SCALE)), "stay in pixels"
    yield replace(OPEN, step=Step.POINTS, work=SCALED, shown=3, armed="proximal"), "Click the proximal"
    yield replace(OPEN, step=Step.POINTS, work=PICKED, shown=3, busy=True), "Measuring"
    yield replace(OPEN, step=Step.CHECK, work=SCALED, shown=3), "missing points"
    yield replace(OPEN, step=Step.CHECK, work=PICKED, shown=3, measured=True), "every wall"
    yield replace(OPEN, step=Step.CHECK, work=PICKED, shown=3, measured=True, tool="redraw"), "Draw along"
    yield replace(OPEN, step=Step.CHECK, work=PICKED, shown=3, refused=True), "cannot be measured"
    yield replace(OPEN, step=Step.POINTS, work=PICKED, shown=3, refused=True), "Drag the points"
    yield replace(OPEN, step=Step.PLAN, work=PICKED, shown=3), "Measure first"
    yield replace(OPEN, step=Step.PLAN, work=PICKED, shown=3, measured=True), "device table"
    yield replace(OPEN, step=Step.KEEP, work=PICKED, shown=3, measured=True), "Save the picks"
    yield replace(OPEN, step=Step.KEEP, work=PICKED, shown=3, measured=True, saved=True, more=True), "Saved."
    listed = replace(OPEN, step=Step.KEEP, work=PICKED, shown=3, measured=True, listed=True)
    yield listed, "Enter the reading"
    yield replace(listed, saved=True, more=True), "whether to lock"
    yield replace(listed, saved=True), "last frame of the list"
    yield replace(OPEN, work=PICKED, shown=7), "points belong to frame 3"


@pytest.mark.parametrize(("now", "words"), list(path()))
def test_the_next_step_is_named(now, words):
    assert words in hint(now).text


def test_what_cannot_be_measured_can_be_entered_as_such_on_a_list_alone():
    now = replace(OPEN, step=Step.CHECK, work=PICKED, shown=3, refused=True)
    assert "cannot be read" not in hint(now).keys
    assert "Ctrl+R: cannot be read" in hint(replace(now, listed=True)).keys


def test_an_empty_window_on_a_list_says_why():
    missing = hint(Situation(work=Work(), unopened="AB12", more=True))
    assert "AB12" in missing.text
    assert "Ctrl+R: cannot be read" in missing.keys
    assert "N: next frame" in missing.keys
    ended = hint(Situation(work=Work(), ended="Everything is read."))
    assert ended.text.startswith("Everything is read.")
    assert "Open a frame" not in ended.text


def test_a_tool_in_the_hand_says_how_to_put_it_back():
    now = replace(OPEN, step=Step.CHECK, work=PICKED, shown=3, measured=True)
    assert "Esc" not in hint(now).keys
    for tool in ("redraw", "exclude", "path"):
        assert "Esc: put the tool back" in hint(replace(now, tool=tool)).keys


def test_planning_speaks_of_what_is_missing():
    now = replace(OPEN, step=Step.PLAN, work=PICKED, shown=3, measured=True)
    unscaled = replace(now, work=replace(PICKED, scale=NO_SCALE))
    assert "millimetres" in hint(unscaled).text
    assert "bifurcation" in hint(replace(now, work=replace(PICKED, segment=True))).text
    with_table = replace(PICKED, plan=PlanChoice(devices="/table.csv"))
    assert "Compare" in hint(replace(now, work=with_table)).text
    chosen = replace(PICKED, plan=PlanChoice(devices="/table.csv", technique="t"))
    assert "Change a device" in hint(replace(now, work=chosen)).text


def test_progress_of_a_whole_measurement():
    assert set(guide.progress(Situation(work=Work())).values()) == {"doing", "open"}
    done = Situation(
        work=PICKED, file="a", frames=9, step=Step.KEEP, measured=True, checked=True, planned=True, saved=True
    )  # fmt: skip
    states = guide.progress(done)
    assert [states[step] for step in list(Step)[:-1]] == ["done"] * 5
    assert guide.progress(replace(done, doubtful=2))[Step.CHECK] == "doubt"
    assert guide.progress(replace(done, scale="doubt"))[Step.SCALE] == "doubt"
    assert guide.progress(replace(done, scale="early"))[Step.SCALE] == "open"


def test_work_goes_on_where_it_stopped():
    assert guide.first_open(OPEN) is Step.FRAME
    assert guide.first_open(replace(OPEN, frames=1)) is Step.SCALE
    assert guide.first_open(replace(OPEN, work=SCALED)) is Step.POINTS
    assert guide.first_open(replace(OPEN, work=PICKED)) is Step.CHECK


def test_the_last_step_is_the_last():
    assert guide.next_step(replace(OPEN, step=Step.PLAN)) is Step.KEEP
    assert guide.next_step(replace(OPEN, step=Step.KEEP)) is Step.KEEP


def test_every_role_has_words():
    assert set(guide.ROLE_TITLES) == {"catheter_a", "catheter_b", "proximal", "distal", "side", "start", "end"}
