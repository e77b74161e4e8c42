"""A scale is accepted where nothing speaks against it: pure cases, then real clicks beside the catheter and on it."""

from dataclasses import replace
from pathlib import Path

import pytest

from qca.picks_file import read_picks
from qca.reading import Flag
from ui.desk.guide import Step
from ui.desk.scale_seen import of_reading, of_shaft
from ui.desk.shown import ShaftShown
from ui.desk.work import NO_SCALE, work_of

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
STILL = SAMPLES / "bifurcation.dcm"
PATIENCE_S = 90


@pytest.mark.parametrize(
    ("codes", "standing", "doubts"),
    [
        ((), "good", 0),
        (("catheter_short",), "good", 0),
        (("catheter_unclear",), "early", 0),
        (("catheter_unclear", "scale_disagrees"), "doubt", 1),
        (("catheter_tapers", "scale_disagrees"), "doubt", 2),
        (("nobody_knows_this",), "doubt", 1),
    ],
)
def test_a_first_look(codes, standing, doubts):
    seen = of_shaft(ShaftShown(0.2, 0.01, codes))
    assert (seen.standing, len(seen.doubts), seen.final) == (standing, doubts, False)
    assert ("told with the vessel" in " ".join(seen.remarks)) is ("catheter_unclear" in codes)


def test_a_readings_scale_is_doubted_by_its_own_flags_alone(still_reading):
    reading = still_reading[1]

    def flagged(code, where):
        return of_reading(replace(reading, flags=(Flag(code, where, "a sentence of this frame"),)))

    assert flagged("catheter_unclear", "scale").standing == "doubt"
    assert flagged("catheter_unclear", "scale").doubts == (
        "A sentence of this frame. Pick a stretch on plain background, or use another frame.",
    )
    assert flagged("catheter_short", "scale").remarks == ("A sentence of this frame.",)
    assert flagged("catheter_short", "scale").standing == "good"
    assert flagged("limb_short", "side").doubts == flagged("limb_short", "side").remarks == ()


def pick(hand, *points):
    """Two clicks on the shaft, and 6 French."""
    desk = hand.desk
    if desk.picker.armed is None:
        hand.key("C")
    for point in points:
        hand.click(point)
    scale = hand.window.widget.column.panels[Step.SCALE]
    if scale._french.currentData() is None:
        scale._french.setCurrentIndex(scale._french.findData(6.0))
        scale._french.activated.emit(scale._french.currentIndex())
    assert hand.wait(lambda: desk.measuring.shown.shaft is not None, PATIENCE_S)
    hand.wait()
    return scale


def header(hand):
    return hand.window.widget.column._headers[Step.SCALE].text()


def test_clicks_beside_the_catheter_give_no_green_and_no_tick(hand):
    desk = hand.desk
    hand.drop(STILL)
    panel = pick(hand, (450.0, 400.0), (480.0, 430.0))
    assert "mm per px" in panel._result.text()
    assert panel._result.property("good") != "yes"
    assert panel._result.property("alarm") == "yes"
    assert "Check the catheter's size and points; compare with a known object." in panel._doubts.text()
    assert header(hand).startswith("!")
    assert "doubtful" in hand.window.widget.column._hint._text.text()
    hand.key("Return")
    assert desk.steps.current is Step.POINTS
    assert header(hand).startswith("!")


def test_a_first_look_at_the_right_place_waits_for_the_vessel_to_be_ticked(hand, know):
    desk, picks = hand.desk, read_picks(SAMPLES / "bifurcation.picks.json")
    hand.drop(STILL)
    panel = pick(hand, *picks.catheter)
    assert panel._doubts.text() == ""
    assert panel._result.property("good") != "yes"
    assert panel._result.property("alarm") != "yes"
    assert "told with the vessel" in panel._remarks.text()
    hand.key("Return")
    assert header(hand).startswith(" ")
    know(desk)
    desk.change(work_of(picks), "the sample's points")
    assert desk.measuring.fresh
    assert header(hand).startswith("✓")
    desk.steps.go(Step.SCALE)
    assert panel._result.property("good") == "yes"


def test_going_on_without_a_scale_is_a_choice(hand):
    desk = hand.desk
    hand.drop(STILL)
    assert desk.steps.current is Step.SCALE
    hand.key("Return")
    assert desk.steps.current is Step.SCALE
    assert "no scale yet" in desk.notice.text
    ((text, stay),) = desk.notice.actions
    assert text == "Stay in pixels"
    stay()
    assert desk.work.scale == NO_SCALE
    assert desk.steps.current is Step.POINTS
    assert desk.notice is None
    assert header(hand).startswith("✓")
