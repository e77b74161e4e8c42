"""A collimator's shadow that the header does not state: seen, left out, and never a dark organ."""

from dataclasses import replace

import numpy as np
import pytest

from qca.exposed import exposed_part
from qca.phantom import hard_bifurcation, random_bifurcation
from qca.pipeline import FrameAtHand, measure
from qca.validation.case import phantom_case


def lit_by_recipe(recipe):
    """Where the blade of a recipe lets the beam through, by its own geometry, shape (rows, columns)."""
    y, x = np.mgrid[0 : recipe.rows, 0 : recipe.columns] * recipe.mm_per_px
    blade = recipe.collimator
    along = np.deg2rad(blade.direction_deg)
    return (x - blade.point_mm[0]) * np.cos(along) + (y - blade.point_mm[1]) * np.sin(along) < 0


@pytest.mark.parametrize("seed", [1, 8, 14, 25])
def test_the_shadow_is_found_where_the_blade_is(seed):
    recipe = hard_bifurcation(seed, "collimator")
    frame = phantom_case(recipe, "blade").frame
    valid, lit = exposed_part(frame).valid, lit_by_recipe(recipe)
    assert valid[~lit].mean() < 1e-4
    # and its blurred edge with it, but no more: 3 mm
    assert (lit & ~valid).sum() * recipe.mm_per_px <= 3.0 * 1.5 * max(frame.pixels.shape)
    assert valid[lit].mean() > 0.9


def test_what_is_read_beside_a_blade_is_what_would_be_read_without_it():
    """Eight frames: left in, the shadow's edge moves minimal diameters by 0.7 mm and scales by 9 % (SD)."""
    off, scales = [], []
    for seed in range(1, 9):
        case = phantom_case(hard_bifurcation(seed, "collimator"), "blade")
        reading = measure(case.frame, case.picks)
        mm = case.target.mm_per_px
        off += [limb.mld_px * mm - case.target.limbs[name].mld_mm for name, limb in reading.limbs.items()]
        scales.append(reading.scale.mm_per_px / mm - 1)
    assert np.std(off) < 0.1
    assert np.abs(off).max() < 0.3
    assert np.abs(scales).max() < 0.1


@pytest.mark.parametrize("difficulty", ["diaphragm_edge", "clipped", "unfilled_catheter", "log", "gamma"])
def test_nothing_else_is_taken_for_a_shadow(difficulty):
    for seed in range(1, 7):
        frame = phantom_case(hard_bifurcation(seed, difficulty), "none").frame
        assert exposed_part(frame) is frame


def test_a_round_field_and_a_black_border_are_seen_and_letters_in_them_are_nothing():
    frame = phantom_case(random_bifurcation(3), "plain").frame
    rows, columns = np.indices(frame.pixels.shape)
    middle = (np.array(frame.pixels.shape) - 1) / 2
    outside = np.hypot(rows - middle[0], columns - middle[1]) > 230
    pixels = np.where(outside, 0.0, frame.pixels)
    pixels[20:30, 20:40] = frame.grey_range[1]
    valid = exposed_part(replace(frame, pixels=pixels)).valid
    assert not valid[outside].any()
    assert valid[~outside].mean() > 0.95
    bordered = frame.pixels.copy()
    bordered[:40], bordered[-40:], bordered[:, :40], bordered[:, -40:] = 0.0, 0.0, 0.0, 0.0
    valid = exposed_part(replace(frame, pixels=bordered)).valid
    assert not valid[:40].any()
    assert not valid[:, -40:].any()
    assert valid[60:-60, 60:-60].all()


def test_what_the_file_states_is_not_looked_for_again():
    frame = phantom_case(hard_bifurcation(1, "collimator"), "blade").frame
    valid = frame.valid.copy()
    valid[0, 0] = False
    stated = replace(frame, valid=valid)
    assert exposed_part(stated) is stated


def test_a_pick_in_the_shadow_means_that_a_person_sees_a_vessel_there():
    """Then nothing is left out: the frame is measured as it is."""
    case = phantom_case(hard_bifurcation(8, "collimator"), "blade")
    blade = hard_bifurcation(8, "collimator").collimator
    into = np.deg2rad(blade.direction_deg)
    deep = (np.array(blade.point_mm) + 8.0 * np.array([np.cos(into), np.sin(into)])) / case.target.mm_per_px
    at_hand = FrameAtHand(case.frame)
    picks = replace(case.picks, side=(float(deep[0]), float(deep[1])))
    assert at_hand._in_the_beam(picks) is at_hand
    assert at_hand._in_the_beam(case.picks) is not at_hand


def test_a_bright_shadow_is_one_where_the_file_says_that_vessels_are_bright():
    frame = phantom_case(hard_bifurcation(8, "collimator"), "blade").frame
    turned = replace(frame, pixels=frame.grey_range[1] - frame.pixels, dark_vessels=False)
    assert (exposed_part(turned).valid == exposed_part(frame).valid).all()
