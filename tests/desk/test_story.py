"""A measurement from an empty window to a saved worksheet, with real clicks, drags, keys and drops."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from qca.picks_file import read_picks

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
PATIENCE_S = 90


@pytest.fixture
def run(tmp_path):
    """The shipped run in a folder of its own, with a second file behind it."""
    folder = tmp_path / "frames"
    folder.mkdir()
    shutil.copy(SAMPLES / "filling_run.dcm", folder / "a_run.dcm")
    shutil.copy(SAMPLES / "bifurcation.dcm", folder / "b_still.dcm")
    return folder / "a_run.dcm"


@pytest.mark.timeout(300)
def test_from_the_empty_window_to_the_next_file(hand, run, qca, tmp_path):
    desk = hand.desk
    truth = read_picks(SAMPLES / "filling_run.picks.json")
    assert "Open a frame" in hand.window.widget.column._hint._text.text()

    # open: dropped on the image
    hand.drop(run)
    assert desk.file == run
    assert hand.wait(lambda: desk.run_marks is not None, PATIENCE_S)

    # find the frame: the suggested one, or another
    hand.key("F")
    assert desk.scrubber.shown == desk.run_marks.suggested
    for _ in range(desk.scrubber.shown - truth.frame):
        hand.key("Left")
    assert desk.scrubber.shown == truth.frame
    hand.key("Return")
    assert desk.work.frame == truth.frame

    # scale: two clicks on the shaft, the French size from the list
    assert desk.picker.armed == "catheter_a"
    for point in truth.catheter:
        hand.click(point)
    scale = hand.window.widget.column.panels[desk.steps.current]
    scale._french.setCurrentIndex(scale._french.findData(6.0))
    scale._french.activated.emit(scale._french.currentIndex())
    assert hand.wait(lambda: desk.measuring.shown.shaft is not None, PATIENCE_S)
    assert desk.measuring.shown.shaft.problem == ""
    assert "mm per px" in scale._result.text()
    assert "First look" in scale._result.text()
    hand.key("Return")

    # measure: three clicks, in an order of one's own
    hand.key("S")
    hand.click(truth.side)
    hand.click(truth.proximal)
    hand.click(truth.distal)
    first = hand.measured().reading
    for role in ("proximal", "distal", "side"):
        x, y = getattr(truth, role)
        assert desk.work.point(role) == pytest.approx((x, y), abs=1.5 * hand.reach() + 2)
    expected = json.loads((SAMPLES / "filling_run.truth.json").read_text())["limbs"]["distal"]["mld_mm"]
    assert first.limbs["distal"].mld_mm == pytest.approx(expected, abs=0.3)
    assert hand.window.widget.cards.cards["distal"]._numbers.text() != ""

    # the very numbers of the command line for the same picks
    from qca.picks_file import write_picks
    from ui.desk.work import picks_of

    write_picks(tmp_path / "same.picks.json", picks_of(desk.work))
    code, printed, _ = qca("measure", run, "--picks", tmp_path / "same.picks.json", "--json")
    assert code == 0
    assert desk.measuring.shown.measured.text == printed

    # mend: drag a handle of a wall outwards
    knot = next(one for one in desk.mender.knots if (one.limb, one.side) == ("distal", "right"))
    profile = first.limbs["distal"].profile
    across = profile.right_px[knot.index] - profile.left_px[knot.index]
    target = tuple(profile.right_px[knot.index] + 0.3 * across)
    hand.drag(knot.point, target)
    assert desk.work.edits[-1].kind == "wall"
    edited = hand.measured().reading
    assert edited.limbs["distal"].edited
    assert edited.limbs["side"].mld_mm == first.limbs["side"].mld_mm
    place = knot.index
    assert edited.limbs["distal"].profile.diameter_px[place] > profile.diameter_px[place] + 0.5
    assert "edited by hand" in hand.window.widget.cards.cards["distal"]._title.text()

    # undone and done again
    hand.key("Z", "ControlModifier")
    assert desk.work.edits == ()
    assert hand.measured().text == printed
    hand.key("Y", "ControlModifier")
    assert desk.work.edits[-1].kind == "wall"
    hand.measured()

    # plan: the invented table, a technique, a device of one's own
    hand.key("5")
    plan = hand.window.widget.column.panels[desk.steps.current]
    plan._use_sample()
    assert hand.wait(lambda: desk.measuring.shown.worksheet is not None, PATIENCE_S)
    from qtpy.QtCore import QUrl

    hand.window.widget.worksheet._clicked(QUrl("technique:provisional"))
    assert hand.wait(lambda: not desk.measuring.planning, PATIENCE_S)
    page = hand.window.widget.worksheet.browser.toPlainText()
    assert "Provisional: steps" in page
    assert "Wire both daughters" in page
    sheet, ways = hand.window.widget.worksheet, []
    for part in ("techniques", "steps", "sizes", "rules"):
        sheet._parts[part].click()
        ways.append(sheet.browser.verticalScrollBar().value())
    assert ways == sorted(set(ways))  # each part is one click away, in the order of the page
    sizes = {size["role"]: size for size in desk.measuring.shown.worksheet["sizes"]}
    other = sizes["main_stent"]["devices"][-1]["label"]
    work = desk.history.work
    desk.change(replace(work, plan=replace(work.plan, fixed=(("main_stent", other),))), "device")
    assert hand.wait(lambda: not desk.measuring.planning, PATIENCE_S)
    assert desk.measuring.shown.worksheet["devices"]["fixed"] == {"main_stent": other}

    # keep: saved beside the frame, without a question
    hand.key("S", "ControlModifier")
    saved = run.with_name(f"a_run.frame{truth.frame}.reading.json")
    assert saved.read_text(encoding="utf-8") == desk.measuring.shown.measured.text
    assert read_picks(saved.with_name(f"a_run.frame{truth.frame}.picks.json")) == picks_of(desk.work)
    assert hand.prompts.questions == []

    # the report, with the worksheet in it
    hand.prompts.answers.append(tmp_path)
    hand.key("E", "ControlModifier")
    assert hand.wait(lambda: "Report written" in (desk.notice.text if desk.notice else ""), PATIENCE_S)
    report = tmp_path / f"a_run.frame{truth.frame}.report"
    assert "Provisional" in (report / "worksheet.html").read_text(encoding="utf-8")
    assert (report / "reading.json").read_text(encoding="utf-8") == saved.read_text(encoding="utf-8")

    # next file: one key
    hand.key("N")
    assert desk.file.name == "b_still.dcm"
    assert desk.work.points == {}


def test_a_new_session_takes_up_what_an_old_one_left(hand, home, run):
    """Everything is in the journal, undone steps too; only a session of its own may show it."""
    desk = hand.desk
    hand.drop(run)
    hand.key("Return")
    hand.click((218.0, 72.0))
    hand.click((213.0, 14.0))
    hand.key("Z", "ControlModifier")
    before, work = desk.history.states, desk.work
    hand.new_session(home)
    assert desk.work.points == {}

    assert desk.open([run])
    assert desk.history.states == before
    assert desk.work == work
    assert desk.history.can_redo
    assert "Nothing was lost" in desk.notice.text
    desk.notice.actions[0][1]()  # start afresh
    assert desk.work.points == {}
    hand.key("Z", "ControlModifier")
    assert desk.work == work
