"""Real clicks, drags and strokes on the canvas, on the shipped still whose reading is known. The window is real."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from qca.document import reading_text
from qca.frames import open_frame
from qca.pipeline import measure
from ui.desk.guide import Step
from ui.desk.overlay import FADED
from ui.desk.work import picks_of

NEAR = pytest.approx
SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
RUN, SEGMENT = SAMPLES / "filling_run.dcm", SAMPLES / "segment.png"


def side(hand):
    return hand.desk.work.point("side")


def test_a_drag_moves_a_point_and_is_one_step(measured_hand):
    hand = measured_hand
    before, steps = side(hand), hand.desk.history.at
    target = (before[0] - 12, before[1] - 6)
    hand.drag(before, target)
    assert side(hand) == NEAR(target, abs=2 * hand.reach())
    assert hand.desk.history.at == steps + 1
    hand.key("Z", "ControlModifier")
    assert side(hand) == before
    assert hand.desk.measuring.fresh
    assert hand.viewer.layers["lines"].opacity == 1.0


def test_during_a_drag_the_point_follows_and_nothing_is_written(measured_hand):
    hand = measured_hand
    before, journal = side(hand), hand.desk.opened.journal.path.read_bytes()
    hand.press(before)
    hand.move((before[0] - 10, before[1]))
    assert hand.desk.live is not None
    assert side(hand) == NEAR((before[0] - 10, before[1]), abs=2 * hand.reach())
    assert not hand.desk.measuring.fresh
    assert hand.viewer.layers["lines"].opacity == FADED  # they are those of the place before
    assert "earlier numbers" in hand.window.widget.cards.cards["side"]._title.text()
    layer = hand.viewer.layers["points"]
    shown = [tuple(row[::-1]) for row in layer.data]
    assert side(hand) in [NEAR(one) for one in shown]
    assert hand.desk.opened.journal.path.read_bytes() == journal
    hand.release((before[0] - 10, before[1]))
    assert hand.desk.live is None
    assert len(hand.desk.opened.journal.path.read_bytes()) > len(journal)


def test_a_drag_shows_rough_numbers_then_measured_ones_with_the_button_still_down(measured_hand):
    hand = measured_hand
    desk, card = hand.desk, hand.window.widget.cards.cards["side"]
    desk.steps.go(Step.CHECK)
    before = side(hand)
    there = (before[0] - 11, before[1] + 3)  # no other test rests here: a place already measured needs no glance
    seen = []

    class Watch:
        """The last of the views: sees what each refresh has put on the screen."""

        def show_desk(self, desk):
            if desk.measuring.standing == "provisional" and not seen:
                seen.append((card._title.text(), card._numbers.text(), hand.window.widget.column._hint._text.text()))
                desk.keeper.save()  # it must not be possible

    watch = Watch()
    desk.views.append(watch)
    hand.press(before)
    hand.move(there)
    hand.measured()
    desk.views.remove(watch)
    title, numbers, hint = seen[0]
    assert "provisional" in title
    assert numbers.count("≈") == 4
    assert "Provisional" in hint
    assert "no reading of the work as it stands" in desk.notice.text
    layer = hand.viewer.layers["marks"]
    assert desk.live is not None  # the button is still down
    assert "≈" not in card._numbers.text() + "".join(layer.features["label"])
    assert hand.viewer.layers["lines"].opacity == 1.0
    assert desk.measured is None  # nothing of a drag can be kept before it ends
    hand.release(there)
    assert desk.measuring.fresh
    assert desk.measured.text == reading_text(measure(open_frame(desk.file), picks_of(desk.work)))


def test_a_press_without_a_move_changes_nothing(measured_hand):
    hand = measured_hand
    steps = hand.desk.history.at
    hand.click(side(hand))
    assert hand.desk.history.at == steps
    assert hand.desk.live is None


def test_a_point_dragged_out_of_the_frame_stays_in_it(measured_hand):
    hand = measured_hand
    hand.viewer.reset_view()
    hand.drag(side(hand), (-20.0, 300.0))
    assert side(hand)[0] == 0.0


def test_a_drag_elsewhere_pans_and_a_click_does_nothing(measured_hand):
    hand = measured_hand
    hand.viewer.reset_view()
    work, centre = hand.desk.work, tuple(hand.viewer.scene.camera.center)
    hand.drag((60.0, 60.0), (90.0, 90.0))
    assert tuple(hand.viewer.scene.camera.center) != centre
    hand.click((60.0, 60.0))
    assert hand.desk.work == work


def test_dragging_a_point_does_not_pan(measured_hand):
    hand = measured_hand
    centre = tuple(hand.viewer.scene.camera.center)
    hand.drag(side(hand), (side(hand)[0] - 12, side(hand)[1]))
    assert tuple(hand.viewer.scene.camera.center) == centre
    assert hand.viewer.scene.camera.mouse_pan


def knot_of(hand, limb, wall, index=4):
    return [knot for knot in hand.desk.mender.knots if (knot.limb, knot.side) == (limb, wall)][index]


def test_dragging_a_handle_makes_an_edit(measured_hand):
    hand = measured_hand
    hand.desk.steps.go(Step.CHECK)
    hand.desk.picture.look_at_vessel()
    hand.wait()
    knot = knot_of(hand, "distal", "left")
    target = (knot.point[0] + 3.0, knot.point[1] + 1.0)
    hand.drag(knot.point, target)
    (edit,) = hand.desk.work.edits
    assert (edit.kind, edit.limb, edit.side) == ("wall", "distal", "left")
    assert edit.points[0] == NEAR(target, abs=2 * hand.reach())


def test_redrawing_a_wall_with_a_stroke(measured_hand):
    hand = measured_hand
    hand.desk.steps.go(Step.CHECK)
    hand.desk.picture.look_at_vessel()
    hand.wait()
    hand.key("W")
    assert hand.desk.mender.tool == "redraw"
    wall = hand.desk.mender.reading.limbs["side"].profile.right_px[30:90:15]
    hand.drag(*[tuple(point) for point in wall], steps=3)
    (edit,) = hand.desk.work.edits
    assert (edit.kind, edit.limb, edit.side) == ("wall", "side", "right")
    assert len(edit.points) >= 3
    for point in edit.points:
        profile = hand.desk.measuring.shown.measured.reading.limbs["side"].profile
        assert np.hypot(*(profile.right_px - point).T).min() < 2 * hand.reach() + 1


def test_leaving_a_stretch_out_along_the_vessel(measured_hand):
    hand = measured_hand
    hand.desk.steps.go(Step.CHECK)
    hand.desk.picture.look_at_vessel()
    hand.wait()
    profile = hand.desk.mender.reading.limbs["distal"].profile
    begin, end = ((float(profile.x_px[k]), float(profile.y_px[k])) for k in (60, 100))
    hand.key("X")
    hand.drag(begin, end)
    (edit,) = hand.desk.work.edits
    assert (edit.kind, edit.limb) == ("exclude", "distal")
    step = float(profile.position_px[1] - profile.position_px[0])
    assert edit.span_px == NEAR((profile.position_px[60], profile.position_px[100]), abs=2 * hand.reach() + 2 * step)


def test_no_tool_stays_in_the_hand(measured_hand):
    """Esc puts it back, and so do another step and another file."""
    hand = measured_hand
    mender, desk = hand.desk.mender, hand.desk
    for leave in (
        lambda: hand.key("Escape"), lambda: hand.key("6"), lambda: hand.key("P"), lambda: hand.drop(SEGMENT)
    ):  # fmt: skip
        hand.key("X")
        assert (mender.tool, desk.steps.current) == ("exclude", Step.CHECK)
        assert "Esc" in hand.window.widget.column._hint._keys.text().replace("\u00a0", " ")
        leave()
        assert mender.tool == "move"


def test_leading_a_centreline_through_a_click(measured_hand):
    hand = measured_hand
    hand.desk.steps.go(Step.CHECK)
    hand.desk.picture.look_at_vessel()
    hand.wait()
    profile = hand.desk.mender.reading.limbs["proximal"].profile
    where = (float(profile.x_px[50]), float(profile.y_px[50]))
    hand.key("T")
    hand.click(where)
    (edit,) = hand.desk.work.edits
    assert (edit.kind, edit.limb) == ("path", "proximal")
    assert edit.points[0] == NEAR(where, abs=2 * hand.reach())


def test_edits_can_be_taken_away_one_by_one_and_all_at_once(measured_hand):
    hand = measured_hand
    desk = hand.desk
    desk.mender.lesion_limits("distal", 20.0, 60.0)
    desk.mender.leave_out("side", 30.0, 40.0)
    desk.mender.reference("side", 11.0)
    assert [edit.kind for edit in desk.work.edits] == ["lesion", "exclude", "reference"]
    desk.mender.lesion_limits("distal", 22.0, 62.0)
    assert [edit.span_px for edit in desk.work.edits if edit.kind == "lesion"] == [(22.0, 62.0)]
    desk.mender.reference("side", None)
    hand.key("Delete")
    assert [edit.kind for edit in desk.work.edits] == ["exclude"]
    hand.key("A")
    assert desk.work.edits == ()
    hand.key("Z", "ControlModifier")
    assert [edit.kind for edit in desk.work.edits] == ["exclude"]


def test_hovering_links_image_and_plot_both_ways(measured_hand):
    hand = measured_hand
    hand.desk.picture.look_at_vessel()
    hand.wait()
    profile = hand.desk.measuring.shown.measured.reading.limbs["distal"].profile
    plot = hand.window.widget.cards.cards["distal"].plot
    hand.move((float(profile.x_px[70]), float(profile.y_px[70])))
    hand.wait()
    assert abs(plot._marker - 70) <= 2 + 2 * hand.reach() / 0.5
    hand.move((float(profile.x_px[70]) + 60.0, float(profile.y_px[70])))
    hand.wait()
    assert plot._marker == -1

    from qtpy.QtCore import QPoint

    where = QPoint(int(plot.drawing.x(float(profile.position_px[50]))), plot.height() // 2)
    hand.mouse("MouseMove", where, down=False, widget=plot)
    hand.wait()
    shown = hand.viewer.layers["marks"].data[-1][::-1]
    index = plot._marker
    assert abs(index - 50) <= 2
    assert tuple(shown) == NEAR((profile.x_px[index], profile.y_px[index]))


def test_the_narrowing_is_free_of_handles_until_the_pointer_is_there(measured_hand):
    hand = measured_hand
    desk = hand.desk
    desk.steps.go(Step.CHECK)
    hand.key("Z")
    limb = desk.measuring.shown.measured.reading.limbs["side"]
    k = int(np.argmin(np.abs(limb.profile.position_px - limb.mld_position_px)))
    middle = np.array([limb.profile.x_px[k], limb.profile.y_px[k]])

    def at_the_narrowing():
        rows = hand.viewer.layers["handles"].data
        return int((np.hypot(*(rows[:, ::-1] - middle).T) < limb.reference_px / 2).sum())

    hand.move((middle[0] + 60, middle[1] - 60))
    assert at_the_narrowing() == 0
    assert len(hand.viewer.layers["handles"].data) > 10
    hand.move(tuple(middle))
    assert at_the_narrowing() > 0


def test_the_band_in_the_plot_holds_95_percent(measured_hand):
    """The report's does, too; one standard deviation would be 68."""
    hand = measured_hand
    card = hand.window.widget.cards.cards["proximal"]
    limb = hand.desk.measuring.shown.measured.reading.limbs["proximal"]
    sd = np.full_like(limb.profile.diameter_sd_mm, 0.3)
    look = hand.desk.look
    wide = replace(limb, profile=replace(limb.profile, diameter_sd_mm=sd))
    card.plot.show_limb(wide, in_mm=True, top=6.0, look=look, faded=False)
    image, drawing = card.plot.grab().toImage(), card.plot.drawing
    k = 5
    x, diameter = drawing.x(float(limb.profile.position_px[k])), float(limb.profile.diameter_mm[k])
    for count, inside in ((1.7, True), (2.3, False)):
        colour = image.pixelColor(round(x), round(drawing.y(diameter - count * 0.3))).name()
        assert (colour != look.field) is inside, count


def test_lesion_limits_are_dragged_in_the_plot(measured_hand):
    from qtpy.QtCore import QPoint

    hand = measured_hand
    limb = hand.desk.measuring.shown.measured.reading.limbs["distal"]
    plot = hand.window.widget.cards.cards["distal"].plot
    middle = plot.height() // 2
    begin = QPoint(round(plot.drawing.x(limb.lesion_end_px)), middle)
    goal = begin + QPoint(20, 0)
    hand.drag_on(plot, begin, goal)
    (edit,) = hand.desk.work.edits
    assert edit.kind == "lesion"
    assert edit.span_px[0] == NEAR(limb.lesion_start_px, abs=0.01)
    assert edit.span_px[1] == NEAR(plot.drawing.position(goal.x()), abs=0.02)
    assert edit.span_px[1] > limb.lesion_end_px


def test_a_click_on_a_lesion_limit_moves_nothing(measured_hand):
    from qtpy.QtCore import QPoint

    hand = measured_hand
    limb = hand.desk.measuring.shown.measured.reading.limbs["distal"]
    plot = hand.window.widget.cards.cards["distal"].plot
    where = QPoint(round(plot.drawing.x(limb.lesion_end_px)) + 3, plot.height() // 2)
    hand.drag_on(plot, where, where)
    assert hand.desk.work.edits == ()


def test_a_stretch_is_left_out_in_the_plot_with_shift(measured_hand):
    from qtpy.QtCore import QPoint

    hand = measured_hand
    plot = hand.window.widget.cards.cards["side"].plot
    hand.drag_on(plot, QPoint(120, 40), QPoint(180, 40), "ShiftModifier")
    (edit,) = hand.desk.work.edits
    assert edit.kind == "exclude"
    assert edit.limb == "side"


def test_a_reference_is_typed_and_the_measured_one_taken_again(measured_hand):
    from qtpy.QtWidgets import QLabel

    hand = measured_hand
    desk = hand.desk
    desk.steps.go(Step.CHECK)
    hand.wait()
    panel = hand.window.widget.column.panels[Step.CHECK]
    _, spin, measured_again = panel._references["distal"]
    spin.setValue(3.1)
    (edit,) = desk.work.edits
    assert [one.text() for one in panel._edits.findChildren(QLabel)] == ["Distal: RVD 3.10 mm"]
    scale = desk.measuring.shown.measured.reading.scale.mm_per_px
    assert edit.value_px * scale == NEAR(3.1, abs=0.001)
    spin.setValue(3.2)  # turned on while the first one is still being computed: one step, the last value
    (edit,) = desk.work.edits
    assert edit.value_px * scale == NEAR(3.2, abs=0.001)
    hand.measured()
    assert measured_again.text() == "measured"
    measured_again.click()
    assert desk.work.edits == ()


def test_lengths_of_edits_keep_their_unit_while_a_point_moves(measured_hand):
    from qtpy.QtWidgets import QLabel

    hand = measured_hand
    desk = hand.desk
    desk.mender.leave_out("side", 60.0, 70.0)
    desk.steps.go(Step.CHECK)
    hand.measured()
    panel = hand.window.widget.column.panels[Step.CHECK]
    (told,) = (one.text() for one in panel._edits.findChildren(QLabel))
    assert told.endswith(" mm")
    x, y = desk.work.proximal
    hand.press((x, y))
    hand.move((x - 4, y - 4))
    assert [one.text() for one in panel._edits.findChildren(QLabel)] == [told]
    hand.release((x - 4, y - 4))
    hand.measured()
    (told,) = (one.text() for one in panel._edits.findChildren(QLabel))
    assert told.endswith(" mm")


def test_single_segment_mode(hand, still_reading):
    """Two clicks measure one segment; a switch back finds the bifurcation's points again."""
    from qca.picks_file import read_picks

    picks = read_picks(SEGMENT.with_name("segment.picks.json"))
    desk = hand.desk
    assert desk.open([SEGMENT])
    desk.picker.without_scale()
    desk.steps.go(Step.POINTS)
    hand.key("V")
    hand.click(picks.start)
    hand.click(picks.end)
    reading = hand.measured().reading
    assert set(reading.limbs) == {"segment"}
    assert reading.scale is None
    assert "px" in hand.window.widget.cards.cards["segment"]._numbers.text()
    assert not hand.window.widget.cards.cards["distal"].isVisible()
    hand.key("V")
    assert desk.work.missing == ("proximal", "distal", "side")


def test_pixels_that_are_not_square_are_clicked_where_they_are(hand, tmp_path):
    """Layers are stretched for the eye only: a click lands on the stored pixel under it."""
    from PIL import Image

    grey = np.full((100, 200), 100, np.uint8)
    grey[30, 150] = 255
    Image.fromarray(grey).save(tmp_path / "flat.png")
    assert hand.desk.open([tmp_path / "flat.png"])
    desk = hand.desk
    desk.canvas.show_frames(desk.opened.frames, 0, 2.0, (0.0, 255.0))
    hand.wait()
    desk.steps.go(Step.POINTS)
    hand.click((150.0, 30.0))
    assert desk.work.proximal == NEAR((150.0, 30.0), abs=1.0 * hand.reach() + 0.6)


def test_points_belong_to_their_frame(hand):
    desk = hand.desk
    assert desk.open([RUN])
    desk.scrubber.show(4)
    hand.wait()
    hand.key("Return")
    hand.click((218.0, 72.0))
    hand.key("Right")
    hand.wait()
    assert "belong to frame 4" in hand.window.widget.column._hint._text.text()
    assert points_seen(hand) == 0
    hand.click((214.0, 20.0))
    assert desk.work.catheter_b is None
    hand.key("G")
    assert desk.scrubber.shown == 4
    assert points_seen(hand) == 1
    hand.key("Right")
    hand.key("M")
    assert desk.work.frame == 5
    assert desk.work.catheter_a is not None


def test_the_layers_are_few_and_stay_the_same(measured_hand):
    hand = measured_hand
    layers = list(hand.viewer.layers)
    assert len(layers) <= 6
    for name in ("points", "marks"):  # a bright text above its dark rim, everywhere
        layer = layers[[one.name for one in layers].index(name)]
        inks = [ink for ink, label in zip(layer.features["ink"], layer.features["label"], strict=True) if label]
        count = len(inks) // 5
        assert count == {"points": 5, "marks": 3}[name]
        assert inks == ["#101010"] * 4 * count + ["#ffffff"] * count
        assert len(set(map(tuple, layer.text.color._values))) == 2
    desk = hand.desk
    desk.change(replace(desk.work, side=None), "less")
    desk.undo()
    desk.open([RUN])
    hand.wait()
    assert list(hand.viewer.layers) == layers
    assert {type(layer).__name__ for layer in layers} <= {"Image", "Points", "Vectors"}


def points_seen(hand):
    """How many picked points can be seen; the dark rims of their letters are points too, unseen ones."""
    return int((hand.viewer.layers["points"].face_color[:, 3] > 0).sum())


def looks(hand):
    """What tells the limbs apart on the frame."""
    points, lines = hand.viewer.layers["points"], hand.viewer.layers["lines"]
    return (
        list(points.features["label"]), points.face_color.tolist(), hand.viewer.layers["marks"].face_color.tolist(),
        lines.edge_color.tolist(), list(hand.viewer.layers["marks"].features["label"]),
    )  # fmt: skip


def test_limbs_keep_their_letters_and_colours_when_another_file_was_shown_in_between(
    measured_hand, know, still_reading
):
    """napari gives letters and colours of its own to points and lines that are added to a layer that was empty."""
    from ui.desk.work import work_of

    hand = measured_hand
    before = looks(hand)
    assert sorted(before[0]) == sorted("CCDPS" * 5)
    hand.desk.open([RUN])
    hand.desk.open([hand.desk.file.with_name("bifurcation.dcm")])
    hand.desk.change(work_of(still_reading[0]), "picks again")
    hand.wait()
    assert hand.desk.measuring.fresh
    assert looks(hand) == before


def test_lines_and_points_may_go_while_they_are_hidden(measured_hand):
    """napari draws hidden layers with what they held before they were hidden, and trips over it."""
    from ui.desk.work import Work

    hand = measured_hand
    hand.key("H")
    assert len(hand.viewer.layers["lines"].data) == 0
    hand.desk.change(Work(), "everything away")
    hand.viewer.scene.camera.zoom *= 1.7
    hand.wait()
    hand.key("H")
    assert points_seen(hand) == 0
    hand.key("Z", "ControlModifier")
    assert points_seen(hand) == 5
