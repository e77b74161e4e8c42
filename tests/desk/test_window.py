"""The window: drops, keys, bad input, prompts, themes, closing."""

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from qca import CAUTION
from qca.reading import Flag
from ui.desk.check_panel import flags_html
from ui.desk.guide import Step
from ui.desk.measuring import Measured
from ui.desk.work import work_of

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
STILL, RUN = SAMPLES / "bifurcation.dcm", SAMPLES / "filling_run.dcm"


def bad_files(folder):
    """Files that cannot be measured, and the words that say so."""
    whole = STILL.read_bytes()
    files = {
        "empty.dcm": (b"", "is empty"),
        "cut.dcm": (whole[: len(whole) // 2], "cut.dcm"),
        "text.png": (b"this is no picture", "not a DICOM, PNG or TIFF"),
        "photo.jpg": (b"\xff\xd8\xff\xe0" + b"x" * 200, "JPEG picture"),
        "page.html": (b"<html></html>", "text or web page"),
        "broken.json": (b'{"schema": ', "not JSON"),
        "foreign.json": (b'{"schema": "x"}', "neither picks nor a reading"),
        "contradiction.picks.json": (b'{"schema": "qca.picks/1", "french": 6}', "without the two points"),
    }
    for name, (data, _) in files.items():
        (folder / name).write_bytes(data)
    return {folder / name: words for name, (_, words) in files.items()}


def test_bad_input_is_a_message_and_the_desk_stays_usable(measured_hand, tmp_path):
    hand = measured_hand
    desk = hand.desk
    work, file = desk.work, desk.file
    for path, words in bad_files(tmp_path).items():
        hand.drop(path)
        assert words in desk.notice.text, path
        assert desk.notice.alarm
        assert "Traceback" not in desk.notice.text
        assert (desk.file, desk.work) == (file, work)
        assert desk.measuring.fresh
    hand.key("Escape")
    assert desk.notice is None
    hand.drop(RUN)
    assert desk.file == RUN


def test_a_file_that_is_not_there_and_an_empty_folder(hand, tmp_path):
    assert not hand.desk.open([tmp_path / "gone.dcm"])
    assert "cannot be opened" in hand.desk.notice.text
    assert not hand.desk.open([tmp_path])
    assert "no DICOM, PNG or TIFF" in hand.desk.notice.text
    assert not hand.desk.open([])


def test_a_damaged_frame_in_a_run_is_said_and_the_next_one_shown(hand, tmp_path):
    data = bytearray(RUN.read_bytes())
    damaged = tmp_path / "run.dcm"
    damaged.write_bytes(data)
    assert hand.desk.open([damaged])
    source = hand.desk.opened.frames.source
    real = source.pixels

    def pixels(index):
        from qca.errors import InputError

        if index == 3:
            msg = "frame 3 is damaged: copy the file again."
            raise InputError(msg)
        return real(index)

    source.pixels = pixels
    hand.desk.opened.frames._kept.clear()
    hand.desk.scrubber.show(3)
    assert hand.wait(lambda: hand.desk.notice is not None and "frame 3 is damaged" in hand.desk.notice.text, 60)
    hand.desk.scrubber.show(4)
    hand.wait()
    assert hand.desk.opened.frames[4].max() > 0


def test_files_dropped_on_the_column_and_several_at_once(hand, tmp_path):
    paths = []
    for name in ("c10.dcm", "c9.dcm"):
        shutil.copy(STILL, tmp_path / name)
        paths.append(tmp_path / name)
    hand.drop(paths[0], onto=hand.window.main)
    assert hand.desk.file == paths[0]
    assert hand.desk.list.progress == "file 2 of 2"  # its neighbours in the folder are the list
    hand.drop(*paths)
    assert hand.desk.list.progress == "file 1 of 2"
    hand.key("N")
    assert hand.desk.file == paths[1]
    hand.key("PageDown")
    assert "last file" in hand.desk.notice.text


def test_a_next_file_that_cannot_be_read_is_passed_over(hand, tmp_path):
    for name in ("a.dcm", "c.dcm"):
        shutil.copy(STILL, tmp_path / name)
    (tmp_path / "b.dcm").write_bytes(b"no")
    hand.desk.open([tmp_path])
    assert hand.desk.file.name == "a.dcm"
    hand.key("N")
    assert hand.desk.file.name == "c.dcm"


def test_flags_are_counted_as_flags(measured_hand, still_reading):
    """One flag can spoil many numbers: a header that calls flags numbers is wrong about both."""
    hand = measured_hand
    summary = hand.window.widget.column.panels[Step.CHECK].summary
    assert summary(hand.desk) == ""
    flags = tuple(Flag(code, "scale", "") for code in ("catheter_unclear", "scale_disagrees"))
    for count, words in ((1, "1 flag spoils numbers"), (2, "2 flags spoil numbers")):
        reading = replace(still_reading[1], flags=flags[:count])
        hand.desk.measuring.shown.measured = Measured(reading, still_reading[2])
        assert summary(hand.desk) == words


def test_undo_says_that_it_is_one_and_advice_stands_without_a_heading(measured_hand, still_reading):
    hand = measured_hand
    column = hand.window.widget.column
    assert column._undo.text().startswith("↶ Undo: ")
    hand.key("Z", "ControlModifier")
    assert column._redo.text().startswith("↷ Redo: ")
    flags = (Flag("ostial", "side", ""), Flag("oblique_pixels", "", ""))
    told = flags_html(replace(still_reading[1], flags=flags), alarm="#f00", quiet="#777")
    assert "Nothing to do: check the limb mouth on the picture." in told
    assert "Nothing to do.<" in told
    assert "None needed" not in told


def test_going_on_waits_for_a_reading(measured_hand):
    hand = measured_hand
    for step in (Step.POINTS, Step.CHECK):
        hand.desk.steps.go(step)
        panel = hand.window.widget.column.panels[step]
        assert panel._go.isEnabled()
        assert not panel._refuse.isVisible()
    hand.desk.picker.remove_point("side")
    assert not panel._go.isEnabled()


def test_the_caution_is_always_on_the_screen(measured_hand):
    hand = measured_hand
    label = hand.window._caution
    for step in Step:
        hand.desk.steps.go(step)
        hand.wait()
        assert label.isVisible()
        assert label.text() == CAUTION
        text = label.fontMetrics().horizontalAdvance(CAUTION)
        assert label.width() * (label.height() // label.fontMetrics().height()) >= text  # all of it


def test_everything_fits_a_small_laptop_screen(measured_hand):
    hand = measured_hand
    assert (hand.window.main.width(), hand.window.main.height()) == (1366, 768)
    column = hand.window.widget.column
    for step in Step:
        hand.desk.steps.go(step)
        hand.wait()
        from qtpy.QtWidgets import QScrollArea

        area = column.findChildren(QScrollArea)[0]
        assert area.widget().width() <= area.viewport().width(), step  # nothing is cut off at the side
    assert hand.native.width() > 600
    assert hand.native.height() > 560


def test_what_lines_and_numbers_mean_is_said(measured_hand):
    from qtpy.QtWidgets import QDialog, QTextBrowser

    from ui.desk.cards import foot_html, told

    hand = measured_hand
    hand.key("F2")
    dialog = next(one for one in hand.window.main.findChildren(QDialog) if one.isVisible())
    page = dialog.findChild(QTextBrowser).toPlainText()
    for word in ("One standard deviation", "95 %", "Carina", "Limits of the lesion", "guide wire", "triangles (side)"):
        assert word in page
    dialog.close()
    reading = hand.desk.measuring.shown.measured.reading
    foot = foot_html(reading, told(reading), hand.desk.look, "current").replace("&nbsp;", " ")
    assert "chance of 1: &gt; 99 %, &lt; 1 %, &gt; 99 %" in foot
    assert "± one standard deviation; bands 95 %" in foot


def tab(hand, times=1):
    """Press Tab where the keyboard is, as a keyboard does."""
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    for _ in range(times):
        QTest.keyClick(hand.app.focusWidget() or hand.window.main, Qt.Key.Key_Tab)
        hand.wait(seconds=0.01)
    return hand.app.focusWidget()


def test_tab_goes_through_the_controls_and_esc_back_to_the_frame(measured_hand):
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QAbstractButton

    hand = measured_hand
    desk = hand.desk
    desk.steps.go(Step.CHECK)
    hand.key("Escape")
    home = hand.app.focusWidget()
    panel = hand.window.widget.column.panels[Step.CHECK]
    wanted = [panel._tools["redraw"], panel._references["side"][1], panel._go]
    for control in wanted:
        assert any(tab(hand) is control for _ in range(20)), control
    QTest.keyClick(panel._go, Qt.Key.Key_Space)
    hand.wait()
    assert desk.steps.current is Step.PLAN
    assert isinstance(hand.app.focusWidget(), QAbstractButton)  # no field has taken the keyboard by itself
    hand.key("4")
    assert desk.steps.current is Step.CHECK
    hand.key("Escape")
    assert hand.app.focusWidget() is home
    hand.drag_on(panel._go, panel._go.rect().center(), panel._go.rect().center())
    assert hand.app.focusWidget() is home  # a click leaves the keyboard where it was


def test_every_control_that_tab_reaches_has_a_name(measured_hand):
    from qtpy.QtCore import Qt
    from qtpy.QtWidgets import QAbstractButton, QAbstractSpinBox, QComboBox, QTextBrowser

    hand = measured_hand
    hand.desk.steps.go(Step.CHECK)
    hand.desk.mender.reference("side", 12.0)  # an edit has its own button
    hand.desk.say("a message", actions=(("do", hand.desk.hush),))
    hand.wait()
    found = 0
    for kind in (QAbstractButton, QComboBox, QAbstractSpinBox, QTextBrowser):
        for widget in hand.window.widget.findChildren(kind):
            if widget.focusPolicy() & Qt.FocusPolicy.TabFocus:
                text = widget.text() if isinstance(widget, QAbstractButton) else ""
                found += 1
                assert any(letter.isalpha() for letter in text + widget.accessibleName()), widget.toolTip()
    assert found > 40


def test_a_technique_is_chosen_with_the_keyboard(measured_hand):
    hand = measured_hand
    desk = hand.desk
    desk.steps.go(Step.PLAN)
    assert hand.wait(lambda: desk.measuring.shown.worksheet is not None, 90)
    hand.wait()
    view = hand.window.widget.worksheet
    assert not view.follow()
    view.browser.setFocus()
    tab(hand)
    assert view.browser.hasFocus()
    hand.key("Return")
    assert desk.work.plan.technique == desk.measuring.shown.worksheet["techniques"][0]["id"]
    assert desk.steps.current is Step.PLAN


@pytest.mark.parametrize("look", ["light", "dark"])
def test_both_looks(measured_hand, look):
    from ui.desk.inks import LOOKS, luminance

    hand = measured_hand
    hand.window.set_look(look)
    hand.wait()
    image = hand.window.main.grab().toImage()
    column = hand.window.widget.column
    where = column.mapTo(hand.window.main, column.rect().bottomLeft())
    colour = image.pixelColor(where.x() + 2, where.y() - 60).name()
    assert abs(luminance(colour) - luminance(LOOKS[look].panel)) < 0.05
    hand.window.set_look("dark")


def test_every_key_has_one_meaning_and_does_it(hand):
    from ui.desk.keys import key_table

    table = key_table(hand.desk)
    keys = [key for row in table for key in row.keys]
    assert len(keys) == len(set(keys))
    assert {row.menu for row in table} == {"File", "Edit", "Frame", "Measure", "Mend", "View"}
    hand.prompts.answers += [[]] * 3
    for name in "FMGVPDSCWXTAHZB0123456":
        hand.key(name)  # nothing is open: nothing may happen, and nothing may break
    assert hand.desk.work.touched is False
    hand.key("F1")
    from qtpy.QtWidgets import QDialog, QTextBrowser

    dialog = hand.window.main.findChildren(QDialog)[-1]
    assert "Redraw a wall" in dialog.findChild(QTextBrowser).toPlainText()
    dialog.close()


def test_keys_that_no_menu_has_do_nothing_to_the_view(hand):
    hand.desk.open([RUN])
    hand.wait()
    before = (
        hand.viewer.dims.ndisplay,
        hand.viewer.dims.order,
        hand.viewer.canvas.grid.enabled,
        len(hand.viewer.layers),
    )
    for key, modifier in (("Y", "AltModifier"), ("G", "ControlModifier"), ("T", "ControlModifier"), ("Backspace", None),
                          ("I", None), ("L", None), ("9", None)):  # fmt: skip
        hand.key(key, modifier)
    after = (
        hand.viewer.dims.ndisplay,
        hand.viewer.dims.order,
        hand.viewer.canvas.grid.enabled,
        len(hand.viewer.layers),
    )
    assert after == before


def test_enter_in_a_field_takes_the_number_and_goes_no_further(hand, still_reading):
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    hand.desk.open([STILL])
    a, b = still_reading[0].catheter
    hand.desk.change(replace(hand.desk.work, catheter_a=a, catheter_b=b), "points along the shaft")
    hand.desk.steps.go(Step.SCALE)
    panel = hand.window.widget.column.panels[Step.SCALE]
    panel._mm.setFocus()
    panel._mm.selectAll()
    QTest.keyClicks(panel._mm, "2.08")
    QTest.keyClick(panel._mm, Qt.Key.Key_Return)
    hand.wait()
    assert hand.desk.work.scale.catheter_mm == 2.08
    assert hand.desk.steps.current is Step.SCALE
    hand.key("Return")
    assert hand.desk.steps.current is Step.POINTS


def test_frames_with_keys_and_the_strip(hand):
    from qtpy.QtCore import QPoint, Qt
    from qtpy.QtTest import QTest

    hand.desk.open([RUN])
    strip = hand.window.strip.strip
    hand.key("Right")
    assert hand.desk.scrubber.shown == 1
    hand.key("End")
    assert hand.desk.scrubber.shown == 11
    hand.key("Left", "ShiftModifier")
    assert hand.desk.scrubber.shown == 1
    hand.key("Home")
    assert hand.desk.scrubber.shown == 0
    hand.key("Left")
    assert hand.desk.scrubber.shown == 0
    where = QPoint(round(strip.x_of(7)), 30)
    QTest.mouseClick(strip, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, where)
    hand.wait()
    assert hand.desk.scrubber.shown == 7
    np.testing.assert_array_equal(
        hand.viewer.layers["frame"]._slice.image.raw, hand.desk.opened.frames.source.pixels(7)
    )


def test_the_grey_window_never_reaches_the_measurement(measured_hand, still_reading):
    hand = measured_hand
    panel = hand.window.widget.column.panels[Step.FRAME]
    hand.desk.steps.go(Step.FRAME)
    low, high = hand.desk.canvas.window
    panel._window.setValue((low + 5, high - 5))
    assert hand.desk.canvas.window == pytest.approx((low + 5, high - 5), abs=1)
    assert hand.desk.measuring.shown.measured.text == still_reading[2]
    hand.key("B")
    assert hand.desk.canvas.window == pytest.approx((low, high))


# -- keeping


@pytest.fixture
def copied(hand, know, still_reading, tmp_path):
    """The measured still in a folder that may be written to."""
    file = tmp_path / "case" / "still.dcm"
    file.parent.mkdir()
    shutil.copy(STILL, file)
    know(hand.desk, file)
    hand.desk.open([file])
    hand.desk.change(work_of(still_reading[0]), "picks")
    assert hand.desk.measuring.fresh
    return hand, file


def test_saving_asks_only_where_something_would_be_lost(copied):
    hand, file = copied
    hand.key("S", "ControlModifier")
    assert hand.prompts.questions == []
    assert hand.desk.keeper.is_saved
    hand.key("S", "ControlModifier")
    assert hand.prompts.questions == []
    foreign = file.with_name("still.picks.json")
    foreign.write_text("somebody else's work")
    hand.prompts.answers.append(False)
    hand.key("S", "ControlModifier")
    assert "written over" in hand.prompts.questions[0]
    assert foreign.read_text() == "somebody else's work"
    hand.prompts.answers.append(True)
    hand.key("S", "ControlModifier")
    assert "qca.picks/1" in foreign.read_text()


def test_saving_elsewhere_and_where_it_cannot_be_written(copied, tmp_path):
    hand, _ = copied
    elsewhere = tmp_path / "away"
    hand.prompts.answers.append(elsewhere)
    hand.desk.keeper.save_elsewhere()
    assert sorted(path.name for path in elsewhere.iterdir()) == ["still.picks.json", "still.reading.json"]
    blocked = tmp_path / "a file"
    blocked.write_text("")
    hand.desk.keeper.folder = blocked
    hand.key("S", "ControlModifier")
    assert "Cannot write" in hand.desk.notice.text
    assert [text for text, _ in hand.desk.notice.actions] == ["Save elsewhere"]


def test_a_saved_measurement_opens_again_to_the_same(copied, still_reading):
    hand, file = copied
    hand.key("S", "ControlModifier")
    hand.desk.open([file])
    assert "Measured before, and saved" in hand.desk.notice.text
    assert hand.desk.work.points == {}  # an earlier reading is not shown unasked
    hand.desk.notice.actions[0][1]()
    assert hand.desk.measuring.fresh
    assert hand.desk.measuring.shown.measured.text == still_reading[2]
    for name in ("still.reading.json", "still.picks.json"):
        hand.drop(file.with_name(name))
        assert hand.desk.file == file
        hand.measured()
        assert hand.desk.measuring.shown.measured.text == still_reading[2]


def test_a_reading_made_by_other_numbers_is_told_apart(copied):
    hand, file = copied
    hand.key("S", "ControlModifier")
    saved = file.with_name("still.reading.json")
    document = json.loads(saved.read_text(encoding="utf-8"))
    limb = document["limbs"]["side"]
    ratio = 0.9 * limb["mld_px"] / limb["reference_px"]  # as another version may have measured it, in all that it says
    limb |= {"mld_px": 0.9 * limb["mld_px"], "mld_mm": 0.9 * limb["mld_mm"], "mld_sd_mm": None}
    limb |= {"ds_percent": 100 * (1 - ratio), "area_stenosis_percent": 100 * (1 - ratio**2)}
    limb["area_stenosis_sd_percent"] = document["medina"] = None
    other = file.with_name("other.reading.json")
    other.write_text(json.dumps(document), encoding="utf-8")
    hand.drop(other)
    hand.measured()
    hand.wait()
    assert "differ from those in the opened reading" in hand.desk.notice.text


def test_nothing_is_saved_without_a_reading(hand):
    hand.desk.open([STILL])
    hand.key("S", "ControlModifier")
    assert "no reading" in hand.desk.notice.text
    hand.key("E", "ControlModifier")
    assert "no reading" in hand.desk.notice.text
    assert hand.prompts.questions == []


def test_an_unsaved_measurement_is_taken_up_when_its_file_is_opened_again(copied):
    hand, file = copied
    steps = hand.desk.history.at
    hand.desk.open([STILL])
    assert hand.desk.work.points == {}
    hand.desk.open([file])
    assert hand.desk.history.at == steps
    assert hand.desk.measuring.fresh or hand.measured()
    assert "Nothing was lost" in hand.desk.notice.text


def test_an_autosave_that_cannot_write_is_said_and_asked_about(copied, tmp_path):
    hand, _ = copied
    blocked = tmp_path / "blocked"
    blocked.write_text("")
    hand.desk.opened.journal.path = blocked / "journal.jsonl"
    hand.desk.mender.reference("side", 9.0)
    assert "autosave cannot write" in hand.desk.notice.text
    hand.prompts.answers.append(False)
    assert not hand.desk.may_close()
    assert "lose this work" in hand.prompts.questions[0]
    hand.prompts.answers.append(True)
    assert hand.desk.may_close()


# -- closing


def test_the_column_uses_the_height_of_the_window(own_hand):
    """The viewer would put an empty half below it in every window but the first."""
    own_hand.desk.open([STILL])
    own_hand.wait()
    widget = own_hand.window.widget
    assert widget.height() > 600
    assert widget.column.height() == widget.height()


def test_closing_during_a_computation_is_clean(own_hand, still_reading):
    hand = own_hand
    hand.desk.open([STILL])
    hand.desk.change(work_of(still_reading[0]), "picks")
    assert hand.wait(lambda: hand.desk.measuring.calculator._running is not None, 30)
    process = hand.desk.measuring.calculator._process
    assert hand.window.main.close()
    hand.wait(seconds=0.1)
    assert process.poll() is not None
    assert not hand.desk.ready


def test_a_close_that_would_lose_work_can_be_refused(own_hand, tmp_path, still_reading):
    hand = own_hand
    blocked = tmp_path / "blocked"
    blocked.write_text("")
    hand.desk.home = blocked
    hand.desk.open([STILL])
    hand.desk.change(work_of(still_reading[0]), "picks")
    hand.prompts.answers.append(False)
    assert not hand.window.main.close()
    assert hand.desk.ready
    hand.prompts.answers.append(True)
    assert hand.window.main.close()
    assert not hand.desk.ready


def test_a_closed_viewer_leaves_nothing_in_memory(own_hand):
    own_hand.desk.open([RUN])
    own_hand.wait()  # the fixture looks


# -- many files


def resident_mb():
    with Path("/proc/self/statm").open() as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="reads the memory from /proc")
def test_memory_stays_flat_over_fifty_files(hand, know, still_reading, tmp_path):
    """Frames of 1024 x 1024 at 16 bits are 2 MB each; with the copies of 40 files kept, memory would grow by 160 MB."""
    import imagecodecs

    rng = np.random.default_rng(5)
    for k in range(6):
        grey = rng.integers(0, 4000, (1024, 1024), dtype=np.uint16)
        (tmp_path / f"f{k}.png").write_bytes(imagecodecs.png_encode(grey, level=1))
    paths = [tmp_path / f"f{k % 6}.png" for k in range(50)]
    sizes = []
    for k, path in enumerate(paths):
        assert hand.desk.open([path])
        if k % 5 == 0:
            know(hand.desk, path)  # the lines are drawn, and no process measures noise beside the test
            hand.desk.change(work_of(still_reading[0]), "picks")
        hand.wait(seconds=0.02)
        if k in (9, 29, 49):
            sizes.append(resident_mb())
    assert sizes[2] - sizes[0] < 40, sizes


def test_the_facts_of_the_case_need_no_scrolling_on_a_low_screen(measured_hand):
    hand = measured_hand
    desk = hand.desk
    hand.window.main.resize(1366, 768)
    desk.steps.go(Step.PLAN)
    panel = hand.window.widget.column.panels[Step.PLAN]
    panel._use_sample()
    assert hand.wait(lambda: not desk.measuring.planning, 30)
    assert hand.wait(lambda: panel._device_rows.rowCount() > 4, 10)

    def hidden():
        shown = {name: widget.visibleRegion().boundingRect().height() for name, widget in panel._facts.items()}
        return [name for name, height in shown.items() if height < panel._facts[name].height()]

    assert hand.wait(lambda: not hidden(), 10), hidden()
