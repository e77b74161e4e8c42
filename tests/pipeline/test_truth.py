"""Small noisy frames of known geometry: places, sizes and angles, with x the column and y the row."""

import math

import numpy as np
import pytest

from qca.phantom import render
from qca.pipeline import measure

LIMBS = ("proximal", "distal", "side")


@pytest.fixture
def reading(forked_reading):
    return forked_reading


@pytest.fixture(scope="module")
def truth(forked):
    return forked[2]


@pytest.mark.parametrize("limb", LIMBS)
def test_diameters_are_within_their_uncertainty(reading, truth, limb):
    """Four SDs, the catheter's scale included."""
    found, true = reading.limbs[limb], truth.limbs[limb]
    assert abs(found.mld_mm - true.mld_mm) < 4 * found.mld_sd_mm
    assert abs(found.reference_mm - true.reference_mm) < 4 * found.reference_sd_mm
    assert abs(found.ds_percent - true.ds_percent) < 4 * found.ds_sd_percent
    assert found.mld_sd_mm < 0.12
    assert found.reference_sd_mm < 0.12
    assert found.ds_sd_percent < 5


def test_the_lesion(reading, truth):
    found, true = reading.limbs["distal"], truth.limbs["distal"]
    assert abs(found.lesion_length_mm - true.lesion_length_mm) < 4 * found.lesion_length_sd_mm
    assert found.lesion_start_mm < found.mld_position_mm < found.lesion_end_mm
    assert found.lesion_length_px == pytest.approx(found.lesion_end_px - found.lesion_start_px)
    assert reading.medina.code == "0,1,0"
    assert reading.medina.distance_percent[1] == pytest.approx(found.ds_percent - 50.0)


def test_scale_of_the_catheter(reading):
    """6 French = 2 mm on 0.2 mm pixels."""
    assert abs(reading.scale.mm_per_px - 0.2) < 4 * reading.scale.sd_mm_per_px
    assert reading.scale.relative_sd < 0.03
    assert reading.scale.source == "catheter"
    assert reading.scale.detail["catheter_mm"] == 2.0


def test_places_are_column_then_row(reading, forked):
    """The branching point was put at x = 28.0 mm, y = 31.0 mm = column 140, row 155 of a frame wider than high."""
    assert reading.branching_point_px == pytest.approx((140.0, 155.0), abs=1.5)
    picks = forked[1]
    for name in LIMBS:
        profile = reading.limbs[name].profile
        end = np.array([profile.x_px[-1], profile.y_px[-1]])
        assert np.hypot(*(end - getattr(picks, name))) < 3
    # the proximal limb runs along +x: its walls are one above the other
    proximal = reading.limbs["proximal"].profile
    np.testing.assert_allclose(proximal.y_px[5:-5], 155.0, atol=0.5)
    np.testing.assert_allclose(proximal.left_px[5:-5, 0], proximal.right_px[5:-5, 0], atol=0.5)
    # walking outwards along +x with y down, the left hand is up, at the smaller y
    np.testing.assert_allclose(proximal.left_px[5:-5, 1], 155.0 - 7.5, atol=0.6)
    np.testing.assert_allclose(proximal.right_px[5:-5, 1], 155.0 + 7.5, atol=0.6)


def test_the_traced_catheter_is_where_it_was_drawn(reading, forked):
    """Its axis leaves (3, 6) mm = column 15, row 30 at 4 degrees downwards."""
    middle = (reading.catheter_left_px + reading.catheter_right_px) / 2
    expected = 30.0 + (middle[:, 0] - 15.0) * math.tan(math.radians(4.0))
    np.testing.assert_allclose(middle[:, 1], expected, atol=0.6)


@pytest.mark.parametrize("limb", LIMBS)
def test_a_profile_holds_together(reading, limb):
    found = reading.limbs[limb]
    p = found.profile
    count = len(p.position_px)
    assert all(len(a) == count for a in (p.diameter_px, p.diameter_sd_px, p.reference_px, p.flags, p.x_px, p.left_px))
    assert (np.diff(p.position_px) > 0).all()
    assert (p.diameter_sd_px > 0).all()
    # normals between samples of the centreline are means of their neighbours', a little short where it bends
    np.testing.assert_allclose(np.hypot(*(p.left_px - p.right_px).T), p.diameter_px, rtol=1e-4)
    np.testing.assert_allclose((p.left_px + p.right_px)[:, 0] / 2, p.x_px, atol=1e-9)
    scale = reading.scale.mm_per_px
    for name in ("position", "diameter", "reference"):
        np.testing.assert_allclose(getattr(p, f"{name}_mm"), getattr(p, f"{name}_px") * scale)
    for name in ("mld", "reference", "lesion_length", "length", "mld_position"):
        assert getattr(found, f"{name}_mm") == pytest.approx(getattr(found, f"{name}_px") * scale)
    assert found.area_stenosis_percent == pytest.approx(100 * (1 - (1 - found.ds_percent / 100) ** 2))


def test_reference_by_the_law_of_the_two_others(reading):
    """Exponent 7/3: Huo Y et al., EuroIntervention 2012;7:1310-1316."""
    p, d, s = (reading.limbs[n].reference_px for n in LIMBS)
    assert reading.limbs["side"].law_reference_px == pytest.approx((p ** (7 / 3) - d ** (7 / 3)) ** (3 / 7))
    assert reading.limbs["proximal"].law_reference_px == pytest.approx((d ** (7 / 3) + s ** (7 / 3)) ** (3 / 7))


def test_a_clean_frame_raises_no_doubts(reading):
    assert {flag.code for flag in reading.flags} <= {"below_resolution"}


# A proximal-side, B distal-side, C proximal-distal; directions in degrees, 0 along +x, 90 down


@pytest.mark.parametrize(
    ("directions", "angles"),
    [
        ((0.0, 150.0, 215.0), (145.0, 65.0, 150.0)),
        ((250.0, 95.0, 30.0), (140.0, 65.0, 155.0)),
    ],
)
def test_angles_by_their_names(fork, directions, angles):
    """No symmetry in any of them: rows and columns mixed up, or two limbs, would show."""
    phantom = render(fork(directions, catheter=None))
    found = measure(phantom.frame(), phantom.picks).angles
    for name, expected in zip("ABC", angles, strict=True):
        value, sd = getattr(found, name), getattr(found, f"sd_{name}")
        assert abs(value - expected) < max(3 * sd, 2.0), name
        assert 0 < sd < 4
    assert abs(found.A + found.B + found.C - 360.0) < 0.5
