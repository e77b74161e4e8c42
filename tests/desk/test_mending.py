"""Gestures to edits, readings to lines: pure geometry on the reading of the shipped still. No window."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from qca.errors import PicksError
from qca.picks import Edit
from qca.report.marks import cross_section
from qca.report.palette import INKS
from ui.desk import mending
from ui.desk.drawing import chords, marks, segments
from ui.desk.inks import LEAST_CONTRAST, LOOKS, contrast, luminance, readable

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"


@pytest.fixture
def reading(still_reading):
    return still_reading[1]


def test_handles_stand_on_the_walls(reading):
    handles = mending.knots(reading)
    for handle in handles:
        wall = getattr(reading.limbs[handle.limb].profile, f"{handle.side}_px")
        assert handle.point == tuple(wall[handle.index])
    for name, limb in reading.limbs.items():
        mine = [handle for handle in handles if (handle.limb, handle.side) == (name, "left")]
        apart = np.diff([limb.profile.position_px[handle.index] for handle in mine])
        np.testing.assert_allclose(apart, mending.KNOT_DISTANCE_PX)
    assert len(mending.knots(reading, 40.0)) < len(handles) / 3


def test_the_nearest_handle_within_reach(reading):
    handles = mending.knots(reading)
    chosen = handles[7]
    near = (chosen.point[0] + 1.0, chosen.point[1])
    assert mending.nearest_knot(handles, near, 2.0) == chosen
    assert mending.nearest_knot(handles, near, 0.5) is None
    assert mending.nearest_knot([], near, 2.0) is None


def test_handles_at_a_narrowing_wait_for_the_pointer(reading):
    handles = mending.knots(reading)
    side = reading.limbs["side"]
    near = [knot for knot in handles if knot.limb == "side"
            and abs(side.profile.position_px[knot.index] - side.mld_position_px) < side.reference_px]  # fmt: skip
    assert near
    seen = mending.in_sight(reading, handles, "", -1)
    assert not set(near) & set(seen)
    assert {knot.limb for knot in seen} == {"proximal", "distal", "side"}
    at_it = mending.in_sight(reading, handles, "side", near[0].index)
    assert set(near) <= set(at_it)
    assert len(at_it) < len(handles)  # those at the other limbs' narrowings still wait
    far = len(side.profile.position_px) - 1
    assert mending.in_sight(reading, handles, "side", far) == seen
    assert mending.in_sight(reading, handles, "side", far + 40) == seen  # a place of an earlier, longer reading
    assert mending.in_sight(reading, handles, "segment", 3) == seen


def test_the_place_on_a_limb(reading):
    profile = reading.limbs["side"].profile
    place = mending.place_on(reading, (float(profile.x_px[40]) + 0.1, float(profile.y_px[40])))
    assert (place.limb, place.index) == ("side", 40)
    assert place.position_px == profile.position_px[40]
    assert mending.place_on(reading, (0.0, 0.0), "distal").limb == "distal"


def test_a_stroke_becomes_a_wall(reading):
    profile = reading.limbs["distal"].profile
    stroke = [(x + 0.8, y + 0.3) for x, y in profile.right_px[20:60]]
    edit = mending.wall_stroke(reading, stroke)
    assert (edit.kind, edit.limb, edit.side) == ("wall", "distal", "right")
    gaps = np.hypot(*np.diff(edit.points, axis=0).T)
    assert gaps.min() >= mending.STROKE_DISTANCE_PX / 2
    assert edit.points[0] == mending.rounded(stroke[0])
    assert edit.points[-1] == mending.rounded(stroke[-1])
    assert mending.wall_stroke(reading, stroke[:1]) is None
    assert mending.wall_stroke(reading, []) is None


def test_a_handle_dragged_again_replaces_itself(reading):
    knot = mending.knots(reading)[5]
    x, y = knot.point
    once = mending.wall_point(reading, knot, (x + 1, y), ())
    twice = mending.wall_point(reading, knot, (x + 2, y), once)
    assert len(twice) == 1
    assert twice[0].points == (mending.rounded((x + 2, y)),)
    other = next(one for one in mending.knots(reading) if one.limb != knot.limb)
    assert len(mending.wall_point(reading, other, other.point, twice)) == 2


def test_a_stretch_between_two_points(reading):
    profile = reading.limbs["side"].profile
    begin, end = ((float(profile.x_px[k]), float(profile.y_px[k])) for k in (60, 30))
    edit = mending.excluded_stretch(reading, begin, end)
    assert edit == Edit("exclude", "side", span_px=tuple(round(float(profile.position_px[k]), 2) for k in (30, 60)))
    assert mending.excluded_stretch(reading, begin, begin) is None


def test_an_edit_that_stands_alone_replaces_its_earlier_one():
    first = (Edit("lesion", "side", span_px=(1.0, 5.0)), Edit("lesion", "distal", span_px=(2.0, 6.0)))
    edits = mending.replaced(first, Edit("lesion", "side", span_px=(3.0, 9.0)))
    assert [(edit.limb, edit.span_px) for edit in edits] == [("distal", (2.0, 6.0)), ("side", (3.0, 9.0))]
    assert mending.without(edits, "lesion", "side") == first[1:]


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (Edit("wall", "side", "left", ((1.0, 2.0),)), "Side: left wall through 1 point"),
        (Edit("exclude", "distal", span_px=(3.2, 9.9)), "Distal: left out from 3 to 10 px"),
        (Edit("lesion", "proximal", span_px=(3.0, 9.0)), "Proximal: lesion from 3 to 9 px"),
        (Edit("reference", "segment", value_px=12.3), "Segment: RVD 12.30 px"),
        (Edit("path", "side", points=((1.0, 2.0), (3.0, 4.0))), "Side: centreline through 2 points"),
    ],
)
def test_edits_in_words(edit, words):
    assert mending.in_words(edit) == words


def test_edits_are_told_in_the_unit_they_were_typed_in(reading):
    scale = reading.scale
    assert scale is not None
    edit = Edit("reference", "side", value_px=3.1 / scale.mm_per_px)
    assert mending.in_words(edit, scale) == "Side: RVD 3.10 mm"
    stretch = Edit("lesion", "distal", span_px=(10.0, 24.0))
    low, high = 10 * scale.mm_per_px, 24 * scale.mm_per_px
    assert mending.in_words(stretch, scale) == f"Distal: lesion from {low:.1f} to {high:.1f} mm"


def colours(lines):
    return {tuple(np.round(colour[:3] * 255).astype(int)) for colour in lines.colour}


def test_lines_lie_on_the_walls_in_the_limb_s_colour(reading):
    lines = segments(reading)
    for name, limb in reading.limbs.items():
        ink = np.array([int(INKS[name].colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
        mine = np.isclose(lines.colour[:, :3], ink).all(axis=1) & lines.cased
        starts = lines.data[mine, 0][:, ::-1]
        away = np.hypot(*(starts[:, None] - limb.profile.left_px[None]).transpose(2, 0, 1)).min(axis=1)
        assert (away < 0.3).sum() > 20  # the left wall is there, piece by piece
    assert np.isfinite(lines.data).all()
    assert len(lines.data) == len(lines.colour) == len(lines.cased)


def test_dashes_leave_gaps_and_solid_lines_do_not(reading):
    def drawn(name):
        limb = reading.limbs[name]
        alone = replace(
            reading, limbs={name: limb}, angles=None, medina=None, catheter_left_px=None, catheter_right_px=None
        )  # fmt: skip
        lines = segments(alone)
        return np.hypot(*lines.data[lines.cased, 1].T).sum()

    def walls(name):
        profile = reading.limbs[name].profile
        return sum(np.hypot(*np.diff(wall, axis=0).T).sum() for wall in (profile.left_px, profile.right_px))

    assert drawn("proximal") > walls("proximal")  # with the marks, more than the walls
    assert drawn("side") < 0.95 * walls("side") + 60


def test_a_left_out_stretch_is_a_gap(reading):
    profile = reading.limbs["distal"].profile
    hole = profile.left_px.copy()
    hole[20:60] = np.nan
    gapped = replace(reading.limbs["distal"], profile=replace(profile, left_px=hole))
    lines = segments(replace(reading, limbs={**reading.limbs, "distal": gapped}))
    assert np.isfinite(lines.data).all()
    assert len(lines.data) < len(segments(reading).data)


def test_angle_chords_have_the_length_of_the_settings(reading):
    length = reading.settings.angle_chord_mm / reading.scale.mm_per_px
    for begin, end in chords(reading).values():
        assert np.hypot(*(end - begin)) == pytest.approx(length, abs=1.0)
        np.testing.assert_array_equal(begin, reading.branching_point_px)


def test_marks_name_the_angles_and_show_what_was_drawn(reading):
    edits = (Edit("wall", "side", "left", ((11.0, 12.0),)), Edit("lesion", "side", span_px=(1.0, 9.0)))
    found = marks(reading, edits, 3.0)
    letters = [mark.label for mark in found if mark.label]
    assert [letter[0] for letter in letters] == ["A", "B", "C"]
    assert letters[1] == f"B {reading.angles.B:.0f} ± {reading.angles.sd_B:.0f}°"
    assert [mark.point for mark in found if mark.symbol == "cross"] == [(11.0, 12.0)]
    section = cross_section(reading.limbs["side"].profile, reading.limbs["side"].mld_position_px)
    assert section.left in [mark.point for mark in found]


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS)
def test_every_colour_of_a_look_can_be_read(look):
    """Contrast of at least 4.5 to 1: WCAG 2.1, success criterion 1.4.3."""
    for name in ("text", "quiet", "alarm", "good", "hand", "accent"):
        for ground in (look.panel, look.field):
            assert contrast(getattr(look, name), ground) >= LEAST_CONTRAST, (name, ground)
    assert contrast(look.text, look.raised) >= LEAST_CONTRAST
    assert contrast(look.on_accent, look.accent) >= LEAST_CONTRAST
    for name in INKS:
        assert contrast(look.limb(name), look.field) >= LEAST_CONTRAST


def test_luminance_of_black_white_and_a_known_grey():
    assert luminance("#000000") == 0
    assert luminance("#ffffff") == pytest.approx(1)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # the largest there is, WCAG 2.1
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)  # the lightest AA grey on white, WebAIM
    assert readable("#123456", "#ffffff") == "#123456"


def test_a_straight_wall_can_be_mended_on_paper():
    """A limb along +x at y = 50, walls at 44 and 56: a stroke at 55 belongs to the right wall, which lies below."""
    s = np.arange(0, 60, 0.5)
    profile = SimpleNamespace(
        position_px=s, x_px=s + 10, y_px=np.full_like(s, 50.0),
        left_px=np.column_stack([s + 10, np.full_like(s, 44.0)]),
        right_px=np.column_stack([s + 10, np.full_like(s, 56.0)]),
    )  # fmt: skip
    paper = SimpleNamespace(limbs={"segment": SimpleNamespace(profile=profile)})
    edit = mending.wall_stroke(paper, [(20.0, 55.0), (30.0, 54.0), (40.0, 55.0)])
    assert (edit.limb, edit.side) == ("segment", "right")
    assert mending.wall_near(paper, (30.0, 45.0)) == ("segment", "left", 1.0)


def test_a_handle_at_the_end_of_a_limb_can_be_dragged_beyond_it(still_reading):
    """A wall beside no part of its limb is refused by the measurement: the desk must not make one."""
    from qca.frames import open_frame
    from qca.pipeline import measure

    picks, reading, _ = still_reading
    profile = reading.limbs["distal"].profile
    handles = [knot for knot in mending.knots(reading, 8.0) if (knot.limb, knot.side) == ("distal", "right")]
    edits = ()
    for knot, inner in ((handles[0], 6), (handles[-1], -7)):
        k = knot.index
        back = np.array([profile.x_px[k] - profile.x_px[inner], profile.y_px[k] - profile.y_px[inner]])
        across = profile.right_px[k] - profile.left_px[k]
        edits = mending.wall_point(reading, knot, tuple(knot.point + back + 0.2 * across), edits)
    assert len(edits) == 2
    still = open_frame(SAMPLES / "bifurcation.dcm")
    assert measure(still, replace(picks, edits=edits)).limbs["distal"].edited
    with pytest.raises(PicksError, match="beside no part"):  # what the desk keeps clear of
        measure(still, replace(picks, edits=(Edit("wall", "distal", "right", ((2.0, 2.0),)),)))
