"""Frames whose grey values went through an S-shaped display curve."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from qca.display_curve import noise_by_level
from qca.phantom import hard_bifurcation, random_bifurcation
from qca.pipeline import measure
from qca.validation.case import phantom_case


def fit_of(curve, photons=900.0, count=20000):
    """Residuals of a fit that is right: Poisson counts through ``curve`` (intensities of 1 and less to grey levels)."""
    rng = np.random.default_rng(6)
    intensity = rng.uniform(0.4, 1.2, count)
    seen = curve(rng.poisson(intensity * photons) / photons)
    return residuals(seen, curve(intensity))


def residuals(seen, model):
    """Of a fit to 200 columns of pixels."""
    pixels = np.column_stack(np.divmod(np.arange(len(seen)), 200)).astype(float)
    shared, shown = SimpleNamespace(correlation=1.0), np.ones(len(seen), dtype=bool)
    return SimpleNamespace(shown=shown, level=seen, model=model, pixels=pixels, shared=shared)


def sigmoid(x):
    """PS3.3 C.11.2.1.3.1, middle 0.65 and width 0.9, on 12 bits."""
    return 4095 / (1 + np.exp(-4 * (np.asarray(x) - 0.65) / 0.9))


@pytest.mark.parametrize(
    "curve",
    [lambda x: 3000 * x, lambda x: 2500 + 900 * np.log(np.maximum(x, 0.01)), lambda x: 3000 * x**0.6],
    ids=["linear", "log", "gamma"],
)
def test_plain_scales_are_no_display_curves(curve):
    assert not noise_by_level(fit_of(curve)).display_curve


def test_straight_levels_go_with_the_root_of_the_intensity():
    """Anscombe's transformation, found without being told the curve: one straight line, within 2 % of its span."""
    noise = noise_by_level(fit_of(sigmoid))
    assert noise.display_curve
    intensity = np.linspace(0.45, 1.15, 50)
    straight, root = noise.straight(sigmoid(intensity)), np.sqrt(intensity)
    line = np.polynomial.Polynomial.fit(root, straight, 1)
    away = np.abs(straight - line(root)).max()
    assert away < 0.02 * np.ptp(straight)
    bent = np.polynomial.Polynomial.fit(root, sigmoid(intensity), 1)
    assert np.abs(sigmoid(intensity) - bent(root)).max() > 3 * away


def test_edges_that_a_model_misses_are_no_noise():
    """Residuals that are largest at the middle levels, but smooth, as a wrong blur leaves them without any noise."""
    place = np.arange(20000) % 200
    model = 2000 + 1500 * np.sin(2 * np.pi * place / 50)
    missed = 40 * np.cos(2 * np.pi * place / 50)
    noise = noise_by_level(residuals(model + missed, model))
    assert noise.curved
    assert not noise.display_curve


def test_a_vessel_that_a_model_misses_is_no_noise():
    """Smooth, at the middle levels, and hardly more than the noise, which is even: the high pass leaves the noise."""
    rng = np.random.default_rng(6)
    place = np.arange(20000) % 200
    model = 2000 + 1500 * np.sin(2 * np.pi * place / 50)
    missed = 45 * np.cos(2 * np.pi * place / 50) ** 8
    noise = noise_by_level(residuals(model + missed + 40 * rng.standard_normal(20000), model))
    assert noise.curved
    assert noise.grain > 0.72
    assert not noise.display_curve


def test_straight_levels_rise_everywhere_and_keep_the_top():
    noise = noise_by_level(fit_of(sigmoid))
    level = np.linspace(-500, 5000, 400)
    assert (np.diff(noise.straight(level)) > 0).all()
    assert noise.straight(level)[-1] == pytest.approx(level[-1])


def flags(recipe):
    case = phantom_case(recipe, "curve")
    return {flag.code for flag in measure(case.frame, case.picks).flags}


@pytest.mark.accuracy
def test_frames_after_a_sigmoid_are_measured_as_well_as_others():
    errors = []
    for seed in range(401, 409):
        case = phantom_case(hard_bifurcation(seed, "sigmoid"), "curve")
        reading, scale = measure(case.frame, case.picks), case.target.mm_per_px
        for name, limb in reading.limbs.items():
            errors.append((limb.mld_px * scale - case.target.limbs[name].mld_mm, limb.mld_sd_px * scale))
    found, sd = np.array(errors).T
    assert np.std(found) < 0.12
    assert abs(np.mean(found)) < 0.05
    assert np.mean(np.abs(found) < 1.96 * sd) > 0.85


@pytest.mark.accuracy
def test_a_frame_without_noise_is_left_as_it_is():
    recipe = replace(random_bifurcation(403), photons_per_px=1e8)
    assert "display_curve" not in flags(recipe)


@pytest.mark.accuracy
def test_others_are_left_as_they_are():
    recipes = [random_bifurcation(seed) for seed in range(401, 407)]
    recipes += [
        hard_bifurcation(401, name) for name in ("log", "gamma", "elliptic", "guide_wire", "crossing", "clipped")
    ]
    assert not any("display_curve" in flags(recipe) for recipe in recipes)


@pytest.mark.accuracy
def test_a_cut_grey_scale_is_still_said_to_be_cut():
    """Its end has less noise as well, and straightening would spread the levels that tell."""
    recipe = hard_bifurcation(402, "sigmoid")
    case = phantom_case(recipe, "curve")
    darkest = float(np.percentile(case.frame.pixels, 1.5)) / case.frame.grey_range[1]
    found = flags(replace(recipe, grey=replace(recipe.grey, clip_low=darkest)))
    assert "saturated" in found
    assert "display_curve" not in found


@pytest.mark.accuracy
def test_bright_vessels_are_straightened_alike():
    recipe = hard_bifurcation(402, "sigmoid")
    turned = replace(recipe, grey=replace(recipe.grey, inverted=True))
    readings = []
    for one in (recipe, turned):
        case = phantom_case(one, "curve")
        readings.append(measure(case.frame, case.picks))
    assert all("display_curve" in {flag.code for flag in reading.flags} for reading in readings)
    for name, limb in readings[0].limbs.items():
        assert readings[1].limbs[name].mld_px == pytest.approx(limb.mld_px, abs=0.05)
