"""Same recipe, same bytes; grey mappings; what cannot be rendered."""

from __future__ import annotations

import hashlib
import math
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path as Folder

import numpy as np
import pytest

from qca.phantom import DIFFICULTIES, hard_bifurcation, random_bifurcation, random_segment, render, truth_of
from qca.phantom.grey import stored_values
from qca.phantom.recipe import Grey, Optics
from qca.phantom.render import expected_intensity, picks_of, render_pixels
from qca.phantom.shapes import Limb, Path


def digest(pixels):
    return hashlib.sha256(pixels.tobytes()).hexdigest()


def test_same_bytes_in_another_process_with_other_threads():
    code = (
        "import hashlib; from qca.phantom import *; "
        "print(hashlib.sha256(render(random_bifurcation(7)).pixels.tobytes()).hexdigest())"
    )
    environment = os.environ | {"OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2", "PYTHONHASHSEED": "123"}
    other = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True, cwd=Folder.cwd()
    )
    assert other.stdout.strip() == digest(render(random_bifurcation(7)).pixels)


def test_seed_take_and_frame_change_what_they_should():
    recipe = random_bifurcation(7)
    first = render_pixels(recipe)
    assert digest(first) == digest(render_pixels(recipe))
    assert digest(first) != digest(render_pixels(replace(recipe, take=1)))
    assert digest(first) != digest(render_pixels(replace(recipe, frame=1)))
    assert picks_of(recipe) != picks_of(replace(recipe, take=1))
    clean = replace(recipe, photons_per_px=math.inf)
    assert digest(render_pixels(clean)) == digest(render_pixels(replace(clean, take=1)))
    assert random_bifurcation(8) != recipe


def test_pixels_and_frame():
    phantom = render(random_bifurcation(3, bits=(12,)))
    assert phantom.pixels.shape == (512, 512)
    assert phantom.pixels.dtype == np.uint16
    assert not phantom.pixels.flags.writeable
    frame = phantom.frame()
    assert frame.grey_range == (0.0, 4095.0)
    np.testing.assert_array_equal(frame.pixels, phantom.pixels)
    assert phantom.picks.french in (5.0, 6.0, 7.0)


def test_picks_lie_where_they_should():
    # jitter of 1 px per axis around the centreline; a mirrored or transposed point would be far off
    apart = []
    for seed in range(6):
        recipe = random_bifurcation(seed)
        truth, picks = truth_of(recipe), picks_of(recipe)
        for name in ("proximal", "distal", "side"):
            limb = truth.limbs[name]
            x, y = getattr(picks, name)
            apart.append(np.hypot(limb.x_px - x, limb.y_px - y).min())
            assert 0 < picks.catheter[0][0] < 511
    assert max(apart) < 5
    assert 0.3 < np.mean(apart) < 2


def test_random_segment_renders():
    phantom = render(random_segment(4))
    assert phantom.picks.is_segment
    assert phantom.pixels.std() > 0


@pytest.mark.parametrize("difficulty", DIFFICULTIES)
def test_every_difficulty_shows_in_the_picture(difficulty):
    recipe = hard_bifurcation(5, difficulty)
    assert recipe == hard_bifurcation(5, difficulty)
    plain = random_bifurcation(5)
    small = {"rows": 256, "columns": 256, "mm_per_px": recipe.mm_per_px * 2}
    hard, easy = render_pixels(replace(recipe, **small)), render_pixels(replace(plain, **small))
    assert (hard.astype(float) != easy.astype(float)).any()


def test_unknown_difficulty():
    with pytest.raises(ValueError, match="difficulty must be one of elliptic"):
        hard_bifurcation(1, "fog")


def test_grey_mappings():
    relative = np.array([[0.0, 0.25, 1.0, 1.5]])
    linear = stored_values(relative, Grey(bits=8, background_level=0.6, offset_level=0.1))
    np.testing.assert_array_equal(linear, np.rint([[25.5, 0.225 * 255, 153, 0.85 * 255]]))
    assert linear.dtype == np.uint8
    log = stored_values(relative[:, 1:], Grey(bits=12, mapping="log", background_level=0.6, log_span=0.3))
    expected = np.rint((0.6 + 0.3 * np.log(relative[:, 1:])) * 4095)
    np.testing.assert_array_equal(log, expected)
    gamma = stored_values(relative, Grey(bits=10, mapping="gamma", gamma=0.5))
    np.testing.assert_array_equal(gamma, np.rint(0.6 * np.sqrt(relative) * 1023))
    sigmoid = stored_values(relative, Grey(bits=10, mapping="sigmoid", sigmoid_middle=0.25, sigmoid_width=3.0))
    expected = [[1023 / (1 + math.exp(-4 * (x - 0.25) / 3.0)) for x in relative[0]]]  # PS3.3 C.11.2.1.3.1
    np.testing.assert_array_equal(sigmoid, np.rint(expected))
    clipped = stored_values(relative, Grey(bits=16, clip_low=0.2, clip_high=0.7))
    inverted = stored_values(relative, Grey(bits=8, background_level=0.6, offset_level=0.1, inverted=True))
    np.testing.assert_array_equal(inverted, 255 - linear)
    np.testing.assert_array_equal(clipped, np.rint(np.array([[0.2, 0.2, 0.6, 0.7]]) * 65535))


def test_darkness_of_a_wide_vessel_is_beer_lambert(straight):
    from qca.phantom.attenuation import contrast_per_mm

    recipe = straight(4.5, 0.0, optics=Optics(blur_mm=0.02, scatter_fraction=0, glare_fraction=0))
    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    assert expected_intensity(recipe).min() == pytest.approx(math.exp(-4.5 * contrast), rel=2e-3)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"mm_per_px": 0.0}, "mm_per_px must lie between"),
        ({"mm_per_px": math.nan}, "mm_per_px must be a finite number"),
        ({"rows": 100_000}, "rows must lie between 16 and 4096"),
        ({"photons_per_px": 0.0}, "photons_per_px must lie between"),
        ({"energy_kev": 20.0}, "energy_kev must lie between 30 and 100"),
        ({"optics": Optics(scatter_fraction=0.5, glare_fraction=0.5)}, "glare_fraction"),
        ({"grey": Grey(bits=7)}, "grey.bits must lie between 8 and 16"),
        ({"branching_point_mm": (math.inf, 0.0)}, "branching_point_mm must be a finite number"),
        ({"limbs": (Limb("segment", Path(0.0, 20.0), 2.0),)}, "limbs of a bifurcation are proximal, distal, side"),
    ],
)
def test_recipes_that_cannot_be(fork, changes, message):
    with pytest.raises(ValueError, match=message):
        fork(**changes)
