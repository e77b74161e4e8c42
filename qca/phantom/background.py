"""What else the X-rays meet: soft tissue, ribs, spine, diaphragm and fine texture, in mm of water."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from qca.phantom.attenuation import water_per_mm
from qca.phantom.optics import wide_blur
from qca.phantom.recipe import Recipe

Image = npt.NDArray[np.float64]

# Sizes of an adult chest at the heart's magnification, mm: common practice, no source.
_RIB_SPACING_MM, _RIB_WIDTH_MM, _RIB_SHELL_MM = 24.0, 11.0, 1.4
_SPINE_WIDTH_MM, _VERTEBRA_MM = 36.0, 27.0
_DOME_RADIUS_MM, _DOME_EDGE_MM = 95.0, 0.9


def water_thickness(recipe: Recipe) -> Image:
    """Water-equivalent thickness over the frame.

    Parameters
    ----------
    recipe : Recipe
        Its background and its seed.

    Returns
    -------
    ndarray, shape (rows, columns)
        mm of water, mean thickness included.
    """
    rng = np.random.default_rng([recipe.seed, 1])
    background = recipe.background
    y, x = np.mgrid[0 : recipe.rows, 0 : recipe.columns] * recipe.mm_per_px
    width, height = recipe.columns * recipe.mm_per_px, recipe.rows * recipe.mm_per_px
    total = np.full((recipe.rows, recipe.columns), background.thickness_mm)
    # every structure draws its numbers whether it shows or not, so that switching one off leaves the others in place
    total += background.tissue_mm * _tissue(rng, x, y)
    total += background.ribs_mm * _ribs(rng, x, y, height)
    total += background.spine_mm * _spine(rng, x, y, width)
    total += background.diaphragm_mm * _diaphragm(rng, x, y, recipe)
    grain = rng.standard_normal((recipe.rows, recipe.columns))
    if background.texture_mm:
        grain = wide_blur(grain, background.texture_size_mm / 2 / recipe.mm_per_px)
        total += background.texture_mm * grain / grain.std()
    return total


def background_intensity(recipe: Recipe) -> Image:
    """Intensity behind the patient without vessels, shape (rows, columns); its median is 1."""
    thickness = water_thickness(recipe)
    intensity: Image = np.exp(-water_per_mm(recipe.energy_kev) * (thickness - np.median(thickness)))
    return intensity


def collimated(recipe: Recipe) -> Image:
    """Part of the beam that its collimator lets through, shape (rows, columns)."""
    blade = recipe.collimator
    if blade is None:
        return np.ones((recipe.rows, recipe.columns))
    y, x = np.mgrid[0 : recipe.rows, 0 : recipe.columns] * recipe.mm_per_px
    along = math.radians(blade.direction_deg)
    inside = (x - blade.point_mm[0]) * math.cos(along) + (y - blade.point_mm[1]) * math.sin(along)
    return np.asarray(blade.leak + (1 - blade.leak) * ndtr(-inside / blade.penumbra_mm))


def _tissue(rng: np.random.Generator, x: Image, y: Image) -> Image:
    """Slow waves of standard deviation about 1."""
    total = np.zeros_like(x)
    for _ in range(7):
        length, direction, phase = rng.uniform(45, 180), rng.uniform(0, 2 * math.pi), rng.uniform(0, 2 * math.pi)
        total += np.sin(2 * math.pi / length * (x * math.cos(direction) + y * math.sin(direction)) + phase)
    return total / math.sqrt(3.5)


def _ribs(rng: np.random.Generator, x: Image, y: Image, height: float) -> Image:
    """Bent bands with bright cortical rims; about 1 in the middle of a rib."""
    total = np.zeros_like(x)
    slope, bend = rng.uniform(-0.55, 0.55), rng.uniform(-0.004, 0.004)
    first = rng.uniform(-_RIB_SPACING_MM, 0)
    half, inner = _RIB_WIDTH_MM / 2, _RIB_WIDTH_MM / 2 - _RIB_SHELL_MM
    for number in range(math.ceil(2.2 * height / _RIB_SPACING_MM)):
        middle = first + (number - 0.6 * height / _RIB_SPACING_MM) * _RIB_SPACING_MM + rng.uniform(-3, 3)
        run = middle + slope * (x[0] - x.mean()) + bend * (x[0] - x.mean()) ** 2
        reach = half * math.hypot(1, slope)
        rows = slice(*np.searchsorted(y[:, 0], (run.min() - reach, run.max() + reach)))
        across = (y[rows] - run) / math.hypot(1, slope)
        shell = np.sqrt(np.maximum(half**2 - across**2, 0)) - 0.75 * np.sqrt(np.maximum(inner**2 - across**2, 0))
        total[rows] += shell / (half - 0.75 * inner)
    return wide_blur(total, 0.7 / (x[0, 1] - x[0, 0]))


def _spine(rng: np.random.Generator, x: Image, y: Image, width: float) -> Image:
    """Stack vertebral bodies with denser end plates; about 1 inside."""
    middle = width * rng.uniform(-0.1, 0.35)
    phase, lean = rng.uniform(0, 2 * math.pi), rng.uniform(-0.12, 0.12)
    along = 2 * math.pi * y / _VERTEBRA_MM + phase
    waist = 1 - 0.07 * (1 + np.cos(along))
    across = np.abs(x - middle - lean * (y - y.mean()))
    edge = 1 / (1 + np.exp(-(_SPINE_WIDTH_MM / 2 * waist - across) / 0.8))
    plates = 0.25 * np.exp(-((1 - np.cos(along - math.pi)) / 0.06))
    disc = -0.25 * np.exp(-((1 - np.cos(along - math.pi)) / 0.012))
    column: Image = edge * (0.85 + plates + disc)
    return column


def _diaphragm(rng: np.random.Generator, x: Image, y: Image, recipe: Recipe) -> Image:
    """Raise the dome of the diaphragm: 0 above, rising to 1 below its soft edge."""
    from scipy.special import ndtr

    width, height = recipe.columns * recipe.mm_per_px, recipe.rows * recipe.mm_per_px
    centre_x = width * rng.uniform(0.1, 0.9)
    top = height * rng.uniform(0.72, 0.9)
    through = recipe.background.diaphragm_through_mm
    if through is not None:
        top = through[1] - (_DOME_RADIUS_MM - math.sqrt(max(_DOME_RADIUS_MM**2 - (through[0] - centre_x) ** 2, 0)))
    depth = _DOME_RADIUS_MM - np.hypot(x - centre_x, y - top - _DOME_RADIUS_MM)
    edge: Image = ndtr(depth / _DOME_EDGE_MM) * (0.45 + 0.55 * np.clip(depth / 45, 0, 1) ** 0.5)
    return edge
