"""Catheter shafts drawn here from chords on a fine grid, blurred by scipy and averaged to pixels."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.tube.curve import curve_through
from qca.tube.shaft import ShaftOptions, fit_shaft

SIZE, FINE, BLUR = 110, 6, 1.0
SIGMA = math.hypot(BLUR, 1 / math.sqrt(12))
"""Blur and the pixel's own aperture, whose SD is 1 / sqrt(12) px."""
OUTER, INNER = 10.4, 8.9
MIDDLE, ANGLE = (55.0, 53.0), math.radians(12)


def drawn(wall, lumen, *, noise=0.3, contrast=1.0, seed=1, outer=OUTER, inner=INNER, bend=0.0):
    """A straight shaft: attenuation per px of wall and lumen times their chords, taken off a level of 200.

    With ``bend``, 1/px, the grey levels follow the exponential of the attenuation.
    """
    grid = (np.arange(SIZE * FINE) + 0.5) / FINE - 0.5
    row, column = np.meshgrid(grid, grid, indexing="ij")
    across = (row - MIDDLE[0]) * math.cos(ANGLE) - (column - MIDDLE[1]) * math.sin(ANGLE)
    whole, hole = (2 * np.sqrt(np.maximum(d * d / 4 - across**2, 0)) for d in (outer, inner))
    depth = wall * (whole - hole) + lumen * hole
    if bend:
        depth = -np.expm1(-bend * depth) / bend
    depth = gaussian_filter(depth, BLUR * FINE, mode="nearest")
    pixels = 200.0 - contrast * depth.reshape(SIZE, FINE, SIZE, FINE).mean(axis=(1, 3))
    return pixels + noise * np.random.default_rng(seed).normal(size=pixels.shape)


def fitted(image, feature="outer_wall", start=4.5, valid=None, off=1.0, vessels=(1.0, 0.05), bend=0.0, contrast=None):
    """Fit along a rough axis that is ``off`` px beside the true one.

    ``vessels`` are the blur that they teach over the true one, and the SD of its logarithm.
    """
    along = np.linspace(-42.0, 42.0, 85)
    axis = np.column_stack([MIDDLE[0] + along * math.sin(ANGLE), MIDDLE[1] + along * math.cos(ANGLE)])
    axis += off * np.array([math.cos(ANGLE), -math.sin(ANGLE)])
    return fit_shaft(
        image,
        curve_through(axis, 2.0),
        start,
        log_sigma=math.log(SIGMA * vessels[0]),
        log_sigma_sd=vessels[1],
        bend=bend,
        contrast=contrast,
        options=ShaftOptions(),
        feature=feature,
        valid=valid,
    )


@pytest.mark.parametrize(
    ("name", "wall", "lumen"), [("filled", 1.0, 1.0), ("filled, pale wall", 0.85, 1.0), ("empty", 1.0, 0.0)]
)
def test_outer_diameter(name, wall, lumen):
    shaft = fitted(drawn(wall, lumen))
    assert shaft.filled == (lumen > 0)
    assert shaft.visible or not lumen  # of an empty shaft little shows, and it may say so
    # 1 % of model, and what noise does
    assert abs(shaft.outer_px - OUTER) < 0.01 * OUTER + 3 * shaft.outer_sd_px
    # an empty one's wall hardly shows how thick it is where the blur is known to 5 %, and lumens are 0.7 to 0.9 of all
    assert shaft.outer_sd_px < (0.025 if lumen else 0.032) * OUTER
    assert abs(shaft.taper) < 0.03 + 3 * shaft.taper_sd
    assert shaft.chi2 == pytest.approx(1.0, abs=0.25)
    assert shaft.length_px == pytest.approx(84.0, abs=1.0)


@pytest.mark.parametrize("times", [1.2, 1.3, 1.6, 2.2])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_vessels_that_moved_do_not_narrow_a_shaft_at_rest(times, seed):
    """Their blur is drawn out, its own is not: the width stays, whether or not the difference can be told."""
    shaft = fitted(drawn(1.0, 1.0, noise=1.2, seed=seed), vessels=(times, 0.03), contrast=1.0)
    assert shaft.filled
    assert abs(shaft.outer_px - OUTER) < 0.035 * OUTER


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_moved_vessels_do_not_empty_a_thin_shaft(seed):
    """A narrower, more blurred ring looks much like a thin full tube; the tube's own blur speaks for it."""
    image = drawn(1.0, 1.0, noise=0.8, seed=seed, outer=7.0, inner=5.8)
    shaft = fitted(image, start=3.2, vessels=(1.6, 0.03), contrast=1.0)
    assert abs(shaft.outer_px - 7.0) < 1.96 * shaft.outer_sd_px or shaft.ambiguous
    assert abs(shaft.outer_px - 7.0) < 0.08 * 7.0


@pytest.mark.parametrize("ratio", [0.72, 0.78, 0.83, 0.88])
@pytest.mark.parametrize("wall", [0.6, 1.0])
def test_an_empty_shaft_on_a_bending_scale(ratio, wall):
    """Walls thick and thin, pale and dense, with the exponential of physics: the width is right, or the SD says so."""
    image = drawn(wall, 0.0, noise=0.1, inner=ratio * OUTER, bend=0.02)
    shaft = fitted(image, vessels=(1.0, 0.02), bend=0.02, contrast=1.0)
    assert not shaft.filled
    assert abs(shaft.outer_px - OUTER) < 0.045 * OUTER
    assert abs(shaft.outer_px - OUTER) < 1.96 * shaft.outer_sd_px


@pytest.mark.parametrize("wall", [0.6, 0.8, 1.0, 1.2])
def test_a_faint_or_dense_wall_is_in_the_sd(wall):
    """Polymer with little barium, or a braid: what the wall takes from the width the stated SD holds."""
    shaft = fitted(drawn(wall, 1.0))
    assert shaft.filled
    assert abs(shaft.outer_px - OUTER) < 1.96 * shaft.outer_sd_px


def test_noise_that_neighbours_share_is_in_the_sd():
    """Light that spreads after the quanta were counted: the widths of 24 shafts scatter as their SDs say."""
    clean, rng = drawn(1.0, 1.0, noise=0.0), np.random.default_rng(7)
    shafts = []
    for _ in range(24):
        noise = gaussian_filter(rng.normal(size=clean.shape), 0.9)
        shafts.append(fitted(clean + 1.2 * noise / noise.std()))
    z = np.array([(shaft.outer_px - OUTER) / shaft.outer_sd_px for shaft in shafts])
    assert np.mean(np.abs(z) < 1.96) > 0.85


def test_an_empty_shaft_shows_a_hole():
    shaft = fitted(drawn(1.0, 0.0))
    assert abs(shaft.amplitude_inner) < 0.2 * shaft.amplitude_outer
    assert shaft.inner_px == pytest.approx(INNER, rel=0.03)


@pytest.mark.parametrize("start", [3.5, 4.5, 6.0])
def test_only_the_lumen_shows(start):
    """A wall without contrast of its own: the lumen is the object of known size."""
    shaft = fitted(drawn(0.0, 1.0), feature="filled_lumen", start=start)
    assert abs(shaft.inner_px - INNER) < 0.01 * INNER + 3 * shaft.inner_sd_px
    # with the blur known to 5 %, were it known that the vessels did not move, it would be 0.020
    assert shaft.inner_sd_px < 0.023 * INNER


def test_the_walls_lie_where_they_were_drawn():
    shaft = fitted(drawn(1.0, 1.0))
    normal = np.array([math.cos(ANGLE), -math.sin(ANGLE)])
    for points, expected in ((shaft.left, -OUTER / 2), (shaft.right, OUTER / 2), (shaft.axis, 0.0)):
        across = (points - MIDDLE) @ normal
        assert across == pytest.approx(np.full(len(across), expected), abs=0.25)
        assert across.mean() == pytest.approx(expected, abs=0.08)


def test_stated_sd_is_true():
    """Twelve draws of the noise: the spread of the width against its stated SD (a ratio known to 20 %)."""
    found = [fitted(drawn(1.0, 1.0, noise=1.0, seed=s)) for s in range(12)]
    spread = np.std([s.outer_px for s in found], ddof=1)
    stated = np.sqrt(np.mean([s.outer_sd_px**2 for s in found]))
    assert spread < 1.7 * stated
    assert abs(np.mean([s.outer_px for s in found]) - OUTER) < 0.015 * OUTER


def test_contrast_makes_no_width():
    one, other = (fitted(drawn(1.0, 1.0, noise=0.3 * c, contrast=c)) for c in (1.0, 4.0))
    assert one.outer_px == pytest.approx(other.outer_px, rel=1e-3)
    assert other.amplitude_outer == pytest.approx(4 * one.amplitude_outer, rel=0.01)


def test_pixels_that_do_not_count():
    image = drawn(1.0, 1.0)
    valid = np.ones(image.shape, dtype=bool)
    valid[:, 70:] = False
    spoiled = np.where(valid, image, 0.0)
    shaft = fitted(spoiled, valid=valid)
    assert abs(shaft.outer_px - OUTER) < 0.01 * OUTER + 3 * shaft.outer_sd_px


def test_nothing_there_is_not_visible():
    image = 200.0 + np.random.default_rng(3).normal(size=(SIZE, SIZE))
    assert not fitted(image).visible
