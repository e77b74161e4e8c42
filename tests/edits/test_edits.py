"""Hand edits on a limb whose geometry is known on paper: straight along +x, 12 px wide, narrowed to 6 px at 40 px."""

import numpy as np
import pytest

from qca.drawn_wall import BLEND_PX, HAND_EDGE_SD_PX
from qca.edits import (
    FITTED_SOURCE,
    HAND_LIMIT_SD_PX,
    HAND_SOURCE,
    edit_reference,
    edit_shape,
    edit_stenosis,
    edits_of,
    shown_shape,
)
from qca.errors import PicksError
from qca.lumen.reference import fit_reference
from qca.lumen.stenosis import measure_stenosis
from qca.picks import Edit

ROW, FIRST_COLUMN = 50.0, 20.0
S = np.arange(0.0, 80.25, 0.5)
DIAMETER = 12.0 - 3.0 * (1 + np.cos(np.pi * np.clip((S - 40) / 12, -1, 1)))
VARIANCE = 1e-6  # so small that the correction of the minimum for its noise plays no part
COVARIANCE = VARIANCE * np.exp(-np.abs(S[:, None] - S) / 5)
POINTS = np.column_stack([np.full_like(S, ROW), FIRST_COLUMN + S])
NORMAL = np.tile([1.0, 0.0], (len(S), 1))  # walking along +x with y down, the right hand points down
USABLE = np.ones(len(S), dtype=bool)


def shape(*edits, origin=(0.0, 0.0), aspect=1.0):
    return edit_shape(
        S, DIAMETER, COVARIANCE, POINTS, NORMAL, edits, origin=np.array(origin), aspect=aspect
    )  # fmt: skip


def numbers(*edits):
    found = shape(*edits)
    reference, source = edit_reference(found, edits)
    return edit_stenosis(found, reference, edits, USABLE, 0.9, 4.0), reference, source


def wall(side, *points):
    return Edit("wall", "side", side, tuple(points))


def test_without_edits_everything_stays_bit_for_bit():
    found = shape()
    assert found.diameter is DIAMETER
    assert found.covariance is COVARIANCE
    assert found.points is POINTS
    assert not found.touched.any()
    reference = fit_reference(S, DIAMETER, np.sqrt(np.diag(COVARIANCE)))
    stenosis, mine, source = numbers()
    np.testing.assert_array_equal(mine.line, reference.line)
    assert stenosis == measure_stenosis(S, DIAMETER, COVARIANCE, reference, USABLE, 0.9, edge_distance=4.0)
    assert source == FITTED_SOURCE


def test_a_wall_runs_through_the_drawn_points():
    # right wall at 40 px is at row 53; drawn at row 55 from 36 to 44 px
    found = shape(wall("right", (FIRST_COLUMN + 36, 55.0), (FIRST_COLUMN + 40, 55.0), (FIRST_COLUMN + 44, 55.0)))
    inside = (S >= 36) & (S <= 44)
    right = found.points[:, 0] + found.diameter / 2
    left = found.points[:, 0] - found.diameter / 2
    np.testing.assert_allclose(right[inside], 55.0, atol=1e-9)
    np.testing.assert_allclose(left, ROW - DIAMETER / 2, atol=1e-9)  # the other wall does not move
    assert found.diameter[S == 40] == pytest.approx(8.0)  # 3 px on the left, 5 px on the right of the old middle


def test_a_wall_returns_to_the_fitted_one_within_the_blend():
    found = shape(wall("left", (FIRST_COLUMN + 20, ROW - 9.0)))
    far = np.abs(S - 20) >= BLEND_PX
    np.testing.assert_array_equal(found.diameter[far], DIAMETER[far])
    assert found.diameter[S == 20] == pytest.approx(15.0)
    half = S == 20 + BLEND_PX / 2
    assert found.diameter[half] - DIAMETER[half] == pytest.approx(1.5, abs=1e-6)  # half of the 3 px at half the way
    assert np.abs(np.diff(found.diameter)).max() < 1.0
    np.testing.assert_array_equal(found.drawn, ~far)


def test_left_and_right_are_those_of_the_profile_on_an_asymmetric_limb():
    """Walking up the image (rows fall), the right hand points to larger columns."""
    points = np.column_stack([100.0 - S, np.full_like(S, 30.0)])
    normal = np.tile([0.0, 1.0], (len(S), 1))
    found = edit_shape(S, DIAMETER, COVARIANCE, points, normal, (wall("right", (38.0, 90.0)),),
                       origin=np.zeros(2), aspect=1.0)  # fmt: skip
    assert found.diameter[S == 10] == pytest.approx(14.0)
    assert found.points[S == 10][0, 1] == pytest.approx(31.0)


def test_points_are_stored_pixels_also_where_these_are_not_square():
    # rows are 2 columns high: square row 50 is stored row 25; crop origin at (10, 5)
    points = POINTS - [10.0, 5.0]
    found = edit_shape(S, DIAMETER, COVARIANCE, points, NORMAL, (wall("right", (FIRST_COLUMN + 20, 29.0)),),
                       origin=np.array([10.0, 5.0]), aspect=2.0)  # fmt: skip
    assert found.diameter[S == 20] == pytest.approx(6.0 + (58.0 - ROW))


def test_the_drawn_wall_carries_the_hand_s_uncertainty():
    found = shape(wall("right", (FIRST_COLUMN + 20, 56.0), (FIRST_COLUMN + 60, 56.0)))
    variance = np.diag(found.covariance)
    assert variance[S == 40] == pytest.approx(VARIANCE / 2 + HAND_EDGE_SD_PX**2)  # half fitted, half by hand
    assert variance[S == 0] == pytest.approx(VARIANCE)
    assert np.linalg.eigvalsh(found.covariance).min() > -1e-12
    both = shape(wall("right", (FIRST_COLUMN + 40, 56.0)), wall("left", (FIRST_COLUMN + 40, 44.0)))
    assert np.diag(both.covariance)[S == 40] == pytest.approx(2 * HAND_EDGE_SD_PX**2)


def test_a_later_wall_wins_over_an_earlier_one():
    found = shape(wall("right", (FIRST_COLUMN + 40, 60.0)), wall("right", (FIRST_COLUMN + 40, 54.0)))
    assert found.diameter[S == 40] == pytest.approx(7.0)
    assert np.diag(found.covariance)[S == 40] == pytest.approx(VARIANCE / 2 + HAND_EDGE_SD_PX**2)


def test_walls_drawn_across_each_other_leave_a_lumen_above_zero():
    found = shape(wall("right", (FIRST_COLUMN + 40, ROW - 8.0)))
    assert 0 < found.diameter[S == 40] < 0.5


def test_a_moved_wall_moves_the_numbers():
    automatic, _, _ = numbers()
    edited, _, _ = numbers(wall("right", (FIRST_COLUMN + 36, 55.0), (FIRST_COLUMN + 44, 55.0)))
    assert automatic.mld == pytest.approx(6.0, abs=0.01)
    assert edited.mld == pytest.approx(8.0, abs=0.7)
    assert edited.ds_percent < automatic.ds_percent - 10
    assert edited.mld_sd > automatic.mld_sd


def test_a_wall_drawn_beside_no_part_of_the_limb_is_refused():
    for point in ((FIRST_COLUMN + 200, 56.0), (FIRST_COLUMN + 40, ROW + 200)):
        with pytest.raises(PicksError, match="lies beside no part of the side limb"):
            shape(wall("right", point))


def test_a_left_out_stretch_has_no_part_in_mld_and_reference():
    hole = Edit("exclude", "side", span_px=(28.0, 52.0))
    stenosis, reference, _ = numbers(hole)
    assert stenosis.mld == pytest.approx(12.0, abs=0.01)  # the whole narrowing is left out
    assert stenosis.ds_percent == pytest.approx(0.0, abs=1.5)
    assert not reference.healthy[(S >= 28) & (S <= 52)].any()
    assert not reference.operator[:, (S >= 28) & (S <= 52)].any()
    found = shape(hole)
    np.testing.assert_array_equal(found.included, (S < 28) | (S > 52))
    np.testing.assert_allclose(found.diameter[~found.included], 12.0, atol=1e-6)


def test_the_taper_without_a_stretch_is_the_taper_of_the_rest():
    hole = Edit("exclude", "side", span_px=(60.0, 80.0))
    found = shape(hole)
    reference, _ = edit_reference(found, (hole,))
    keep = S < 60
    alone = fit_reference(S[keep], DIAMETER[keep], np.full(keep.sum(), VARIANCE**0.5))
    np.testing.assert_allclose(reference.line[keep], alone.line, rtol=1e-10)
    weights = reference.weights_at(10)
    assert weights[keep] == pytest.approx(alone.weights_at(10))


def test_leaving_everything_out_is_refused():
    with pytest.raises(PicksError, match="nothing is left of the side limb"):
        shape(Edit("exclude", "side", span_px=(-5.0, 200.0)))


@pytest.mark.parametrize("kind", ["exclude", "lesion"])
def test_a_span_beyond_the_limb_is_refused(kind):
    with pytest.raises(PicksError, match="is no part of the side limb, which is measured from 0 to 80 px"):
        numbers(Edit(kind, "side", span_px=(90.0, 100.0)))


def test_lesion_limits_set_by_hand():
    stenosis, _, _ = numbers(Edit("lesion", "side", span_px=(50.0, 30.0)))
    assert (stenosis.lesion_start, stenosis.lesion_end, stenosis.lesion_length) == (30.0, 50.0, 20.0)
    assert stenosis.lesion_length_sd == pytest.approx(HAND_LIMIT_SD_PX * 2**0.5)
    assert stenosis.mld == pytest.approx(6.0, abs=0.01)
    assert not stenosis.starts_at_mouth
    elsewhere, _, _ = numbers(Edit("lesion", "side", span_px=(0.0, 20.0)))
    assert elsewhere.mld == pytest.approx(12.0, abs=0.01)  # the smallest diameter between the limits
    assert elsewhere.starts_at_mouth


def test_reference_set_by_hand():
    edits = (Edit("reference", "side", value_px=9.0), Edit("reference", "side", value_px=10.0))
    stenosis, reference, source = numbers(*edits)
    assert source == HAND_SOURCE
    np.testing.assert_array_equal(reference.line, 10.0)  # the later one holds
    assert stenosis.ds_percent == pytest.approx(40.0, abs=0.1)
    assert stenosis.area_percent == pytest.approx(64.0, abs=0.1)  # 1 - 0.6^2
    # independent errors: (s/m)^2 of MLD and reference add up
    sd = 100 * np.hypot(stenosis.mld_sd / 10, 0.6 * HAND_EDGE_SD_PX * 2**0.5 / 10)
    assert stenosis.ds_sd_percent == pytest.approx(sd, rel=1e-3)
    assert stenosis.reference_sd == pytest.approx(HAND_EDGE_SD_PX * 2**0.5)


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (Edit("wall", "side", "left"), "needs a side"),
        (Edit("wall", "side", None, ((1.0, 2.0),)), "needs a side"),
        (Edit("exclude", "side"), "has no span_px"),
        (Edit("reference", "side", value_px=0.0), "above 0 px"),
        (Edit("reference", "side"), "above 0 px"),
    ],
)
def test_an_incomplete_edit_is_refused(edit, words):
    with pytest.raises(PicksError, match=words):
        numbers(edit)


def test_only_the_limb_s_own_edits_apply():
    edits = (wall("left", (1.0, 2.0)), Edit("exclude", "distal", span_px=(1.0, 2.0)), Edit("path", "side"))
    assert edits_of(edits, "side") == edits[:1]


def test_the_hand_s_uncertainty_in_the_mean_is_not_averaged_away():
    """Ten points drawn along 20 px do not make the mean diameter ten times as sure: their errors go together."""
    found = shape(wall("right", *((FIRST_COLUMN + s, 56.0) for s in range(30, 51, 2))))
    inside = (S >= 30) & (S <= 50)
    mean = np.ones(inside.sum()) / inside.sum()
    sd = float(np.sqrt(mean @ found.covariance[np.ix_(inside, inside)] @ mean))
    assert sd > 0.6 * HAND_EDGE_SD_PX


def test_the_profile_shows_what_a_hand_did():
    codes = tuple(("below_resolution",) if s > 70 else () for s in S)
    found = shape(wall("right", (FIRST_COLUMN + 20, 56.0)), Edit("exclude", "side", span_px=(50.0, 60.0)))
    diameter, covariance, marked = shown_shape(found, codes)
    np.testing.assert_array_equal(np.isnan(diameter), (S >= 50) & (S <= 60))
    np.testing.assert_array_equal(np.isnan(np.diag(covariance)), np.isnan(diameter))
    assert [("edited" in one) for one in marked] == list(found.touched)
    assert marked[-1] == ("below_resolution",)
