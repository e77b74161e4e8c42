"""Blur, stray light, motion and noise against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import make_interp_spline
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from qca.phantom.attenuation import contrast_per_mm
from qca.phantom.optics import detect, light_spread, motion_blur, stray_light
from qca.phantom.recipe import Background, Optics
from qca.phantom.render import expected_intensity, quanta, render_pixels


def profile_of(recipe):
    """Log-attenuation down the middle column, at 1/20 pixel, with positions in mm."""
    column = -np.log(expected_intensity(recipe)[:, recipe.columns // 2])
    y = np.arange(recipe.rows) * recipe.mm_per_px
    spline = make_interp_spline(y, column, k=5)
    fine = np.arange(y[0], y[-1], recipe.mm_per_px / 20)
    return fine, spline


# Cylinder blurred by a Gaussian line spread of SD 0.15 mm, log-attenuation, apparent diameters by four edge criteria:
# first-derivative extrema, second-derivative extrema, half maximum, and from the area under the profile.
# Computed by direct numerical convolution on a 0.002 mm grid, an implementation apart from the renderer's.
EDGES = {
    0.5: (0.432, 0.728, 0.484, 0.500),
    1.0: (0.844, 1.192, 0.828, 1.000),
    2.0: (1.804, 2.176, 1.660, 2.000),
    3.0: (2.792, 3.172, 2.532, 3.000),
    4.0: (3.788, 4.172, 3.408, 4.000),
}


@pytest.mark.parametrize("diameter", EDGES)
def test_edges_of_a_blurred_cylinder(straight, diameter):
    recipe = straight(
        diameter,
        0.0,
        size=320,
        mm_per_px=0.02,
        iodine_mg_per_ml=0.01,
        length_mm=30.0,
        optics=Optics(blur_mm=0.15, scatter_fraction=0, glare_fraction=0),
    )
    y, spline = profile_of(recipe)
    value, slope, bend = spline(y), spline.derivative()(y), spline.derivative(2)(y)
    middle = y.size // 2
    first = y[middle + slope[middle:].argmin()] - y[slope[:middle].argmax()]
    second = y[middle + bend[middle:].argmax()] - y[bend[:middle].argmax()]
    above = y[value > value[middle] / 2]
    half = above[-1] - above[0]
    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    area = math.sqrt(value.sum() * (y[1] - y[0]) / contrast * 4 / math.pi)
    assert (first, second, half, area) == pytest.approx(EDGES[diameter], abs=0.006)


def blurred_tube(d, radius, contrast, blur, box_x, box_y):
    """Transmission across a straight tube by Gauss-Legendre quadrature, Gaussian blur and a tilted square pixel.

    With d = r sin(phi) the chord is smooth, so 300 nodes are exact to rounding.
    """
    node, weight = np.polynomial.legendre.leggauss(300)
    phi = node * math.pi / 2
    at, step = radius * np.sin(phi), radius * np.cos(phi) * weight * math.pi / 2
    loss = 1 - np.exp(-contrast * 2 * radius * np.cos(phi))
    u = d[:, None] - at
    wide, narrow = max(box_x, box_y), min(box_x, box_y)

    def once(v):
        t = v / blur
        return blur * (t * ndtr(t) + np.exp(-t * t / 2) / math.sqrt(2 * math.pi))

    if narrow < 1e-9:
        kernel = (ndtr((u + wide / 2) / blur) - ndtr((u - wide / 2) / blur)) / wide
    else:
        outer, inner = (wide + narrow) / 2, (wide - narrow) / 2
        kernel = (once(u + outer) - once(u + inner) - once(u - inner) + once(u - outer)) / (wide * narrow)
    return 1 - (kernel * loss * step).sum(axis=1)


@pytest.mark.parametrize(
    ("diameter", "degrees", "mm_per_px", "blur"),
    [
        (0.5, 0.0, 0.26, 0.15),
        (0.5, 33.0, 0.26, 0.15),
        (0.5, 90.0, 0.14, 0.15),
        (1.0, 3.0, 0.22, 0.18),
        (2.0, 45.0, 0.14, 0.28),
        (3.0, 0.0, 0.2, 0.2),
        (3.0, 17.0, 0.26, 0.15),
        (4.5, 60.0, 0.18, 0.24),
    ],
)
def test_discretisation_is_below_two_micrometres(straight, diameter, degrees, mm_per_px, blur):
    optics = Optics(blur_mm=blur, scatter_fraction=0, glare_fraction=0)
    recipe = straight(diameter, degrees, offset_mm=0.07, size=120, mm_per_px=mm_per_px, optics=optics)
    image = expected_intensity(recipe)
    angle = math.radians(degrees)
    y, x = np.mgrid[0 : recipe.rows, 0 : recipe.columns] * mm_per_px
    dx, dy = x - recipe.branching_point_mm[0], y - recipe.branching_point_mm[1]
    d = -dx * math.sin(angle) + dy * math.cos(angle)
    near = (np.abs(d) < diameter / 2 + 1) & (np.abs(dx * math.cos(angle) + dy * math.sin(angle) - 30) < 6)
    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    box = mm_per_px * abs(math.cos(angle)), mm_per_px * abs(math.sin(angle))

    def expected(width):
        return blurred_tube(d[near], width / 2, contrast, blur, *box)

    slope = (expected(diameter + 1e-3) - expected(diameter - 1e-3)) / 2e-3
    error = float(((image[near] - expected(diameter)) * slope).sum() / (slope**2).sum())
    assert abs(error) < 0.002  # as a diameter, mm


@pytest.mark.parametrize("kind", ["gaussian", "two_gaussians", "focal_bar"])
def test_all_point_spreads_have_the_stated_width(straight, kind):
    recipe = straight(mm_per_px=0.1, size=64, optics=Optics(blur_mm=0.2, point_spread=kind))
    fine = np.zeros((128, 128))
    fine[63:65, 63:65] = 0.25
    image = detect(fine, recipe)
    assert image.sum() == pytest.approx(0.25, rel=1e-6)
    position = np.arange(64) * 0.1
    for total in (image.sum(axis=0), image.sum(axis=1)):
        weights = total / total.sum()
        mean = (weights * position).sum()
        variance = (weights * (position - mean) ** 2).sum()
        # blur, pixel aperture, and the two cells 0.05 mm apart, less a cell's own averaging that the blur allows for
        assert variance == pytest.approx(0.2**2 + 0.1**2 / 12 + 0.025**2 - 0.05**2 / 12, rel=1e-3)


def test_blur_keeps_a_flat_field_flat(straight):
    recipe = straight(size=64)
    np.testing.assert_allclose(detect(np.ones((128, 128)), recipe), 1, atol=1e-12)


def test_scatter_lifts_the_dark(straight):
    recipe = straight(3.0, 0.0)
    primary = expected_intensity(recipe)
    optics = Optics(scatter_fraction=0.2, glare_fraction=0.0, scatter_mm=500.0)
    seen = stray_light(primary, replace(recipe, optics=optics))
    # scatter as wide as this is the frame's mean everywhere
    np.testing.assert_allclose(seen, 0.8 * primary + 0.2 * primary.mean(), rtol=2e-3)


def test_glare_spreads_and_keeps_the_sum(straight):
    recipe = straight(size=96)
    primary = np.zeros((96, 96))
    primary[48, 48] = 1
    seen = stray_light(primary, replace(recipe, optics=Optics(scatter_fraction=0, glare_fraction=0.1, glare_mm=1.5)))
    assert seen[48, 48] == pytest.approx(0.9 + 0.1 / (2 * math.pi * 7.5**2), rel=1e-3)
    assert seen.sum() == pytest.approx(1, rel=1e-5)


@pytest.mark.parametrize("degrees", [0.0, 90.0, 37.0])
def test_motion_is_an_even_line(straight, degrees):
    recipe = straight(mm_per_px=0.1, size=64, optics=Optics(motion_mm=1.0, motion_deg=degrees))
    fine = np.zeros((128, 128))
    fine[64, 64] = 1
    moved = motion_blur(fine, recipe)
    assert moved.sum() == pytest.approx(1, rel=1e-9)
    y, x = (np.mgrid[0:128, 0:128] - 64) * 0.05
    angle = math.radians(degrees)
    along, across = x * math.cos(angle) + y * math.sin(angle), -x * math.sin(angle) + y * math.cos(angle)
    # an even line of 1 mm has the variance 1/12; linear interpolation adds at most a quarter cell squared
    assert (moved * along**2).sum() == pytest.approx(1 / 12, rel=0.02)
    assert (moved * across**2).sum() < 0.05**2 / 4 + 1e-9


def test_noise_is_poisson(straight):
    # mean and variance of Poisson counts are equal; bounds are five standard errors
    recipe = straight(size=256, limb=straight().limbs[0], branching_point_mm=(-100.0, -100.0))
    for photons in (300.0, 900.0, 2500.0):
        counts = quanta(np.ones((256, 256)), replace(recipe, photons_per_px=photons)) * photons
        pixels = counts.size
        assert counts.mean() == pytest.approx(photons, abs=5 * math.sqrt(photons / pixels))
        assert counts.var() == pytest.approx(photons, rel=5 * math.sqrt(2 / pixels))
        np.testing.assert_allclose(counts, np.rint(counts), atol=1e-9)
        # and neighbours know nothing of each other
        shared = np.corrcoef(counts[:, 1:].ravel(), counts[:, :-1].ravel())[0, 1]
        assert abs(shared) < 5 / math.sqrt(pixels)


def test_stored_noise_follows_the_signal(straight):
    # in a linear grey scale the variance is level * level(background) / photons, plus rounding
    recipe = straight(4.5, 0.0, size=192, photons_per_px=900.0)
    clean = render_pixels(replace(recipe, photons_per_px=math.inf)).astype(float)
    noisy = render_pixels(recipe).astype(float)
    background = 0.6 * 4095
    variance = clean * background / 900 + 1 / 12
    chi_squared = ((noisy - clean) ** 2 / variance).mean()
    assert chi_squared == pytest.approx(1, abs=5 * math.sqrt(2 / clean.size))


def test_light_spread_blurs_noise_and_signal_alike(straight):
    recipe = straight(size=128, mm_per_px=0.1, optics=Optics(blur_mm=0.2, after_detection=0.5))
    image = np.zeros((128, 128))
    image[64, 64] = 1
    spread = light_spread(image, recipe)
    position = (np.arange(128) - 64) * 0.1
    assert (spread.sum(axis=0) * position**2).sum() == pytest.approx(0.5 * 0.2**2, rel=1e-6)
    noise = np.random.default_rng(1).standard_normal((128, 128))
    expected = gaussian_filter1d(gaussian_filter1d(noise, 2**0.5, 0), 2**0.5, 1).std()
    assert light_spread(noise, recipe).std() == pytest.approx(expected, rel=0.05)


def test_background_median_is_the_unit_of_light(straight):
    recipe = straight(1.0, background=Background(tissue_mm=6, ribs_mm=2, spine_mm=6, diaphragm_mm=15))
    assert np.median(expected_intensity(recipe)) == pytest.approx(1, abs=0.06)
