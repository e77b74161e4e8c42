"""Random phantoms with one difficulty each: what goes wrong in a catheter laboratory."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Literal, get_args

import numpy as np

from qca.phantom.attenuation import contrast_per_mm
from qca.phantom.draw import random_bifurcation
from qca.phantom.ranges import RANGES, Ranges
from qca.phantom.recipe import Collimator, Recipe
from qca.phantom.render import picks_of
from qca.phantom.shapes import GuideWire, Path, Point, Vessel
from qca.phantom.transmission import limb_tubes

Difficulty = Literal[
    "elliptic",
    "guide_wire",
    "crossing",
    "unfilled_catheter",
    "clipped",
    "log",
    "gamma",
    "motion",
    "diaphragm_edge",
    "long_tailed_blur",
    "correlated_noise",
    "two_wires",
    "sigmoid",
    "edge_enhancement",
    "collimator",
]
DIFFICULTIES: tuple[Difficulty, ...] = get_args(Difficulty)

_DRAWN: Mapping[str, Mapping[str, object]] = MappingProxyType(
    {
        "elliptic": {"depth_ratio": (0.65, 1.4)},
        "motion": {"motion_mm": (1.0, 1.0)},
        "log": {"mappings": ("log",)},
        "gamma": {"mappings": ("gamma",)},
        "unfilled_catheter": {"filling": (0.0, 0.0)},
        "long_tailed_blur": {"point_spreads": ("two_gaussians",)},
    }
)
"""Difficulties that are other ranges to draw from."""
_CLIPPED_PATH_PART = 0.55
"""A low clip cuts where the beam passes more than this part of the proximal lumen."""


def hard_bifurcation(seed: int, difficulty: Difficulty, ranges: Ranges = RANGES) -> Recipe:
    """Draw a bifurcation and add one difficulty.

    Parameters
    ----------
    seed : int
        Same seed, same recipe.
    difficulty : str
        elliptic: lumens of axis ratio (depth over width) 0.65-1.4. guide_wire: a wire from the proximal through the
        distal or the side limb. two_wires: one through each. crossing: a vessel of 1-2.2 mm at another depth crosses
        one limb. unfilled_catheter: only the wall shows. clipped: grey scale cut at its dark or bright end. log, gamma:
        grey mapping. motion: 1 mm during the exposure. diaphragm_edge: the dome's edge under a limb. long_tailed_blur:
        point spread of two Gaussians. correlated_noise: half of the blur's variance arises after the quanta were
        counted. sigmoid: an S-shaped display curve. edge_enhancement: an unsharp mask over 3 to 15 px, of 0.3 to 1.2.
        collimator: a blade's edge 1.5 to 4 mm beyond the outermost pick.
    ranges : Ranges
        What else is drawn.

    Returns
    -------
    Recipe

    Raises
    ------
    ValueError
        For an unknown difficulty.
    """
    if difficulty not in DIFFICULTIES:
        msg = f"difficulty must be one of {', '.join(DIFFICULTIES)}, not {difficulty!r}"
        raise ValueError(msg)
    if difficulty in _DRAWN:
        return random_bifurcation(seed, ranges, **_DRAWN[difficulty])
    recipe = random_bifurcation(seed, ranges)
    if difficulty == "correlated_noise":
        return replace(recipe, optics=replace(recipe.optics, after_detection=0.5))
    rng = np.random.default_rng([seed, 4])
    if difficulty == "sigmoid":
        middle, width = rng.uniform(0.5, 0.75), rng.uniform(0.7, 1.4)
        grey = replace(recipe.grey, mapping="sigmoid", sigmoid_middle=middle, sigmoid_width=width)
        return replace(recipe, grey=grey)
    if difficulty == "edge_enhancement":
        amount, width = rng.uniform(0.3, 1.2), 2 * int(rng.integers(1, 8)) + 1
        return replace(recipe, grey=replace(recipe.grey, edge_amount=amount, edge_px=width))
    if difficulty == "guide_wire":
        other: Literal["distal", "side"] = "distal" if rng.random() < 0.5 else "side"
        wire = GuideWire(("proximal", other), offset=rng.uniform(-0.8, 0.8), metal_per_mm=rng.uniform(0.6, 1.2))
        return replace(recipe, guide_wire=wire)
    if difficulty == "two_wires":
        into = [
            GuideWire(("proximal", name), offset=rng.uniform(-0.8, 0.8), metal_per_mm=rng.uniform(0.6, 1.2))
            for name in ("distal", "side")
        ]
        return replace(recipe, guide_wire=into[0], second_wire=into[1])
    if difficulty == "crossing":
        return replace(recipe, vessels=(_crossing(rng, recipe),))
    if difficulty == "clipped":
        return _clipped(rng, recipe)
    if difficulty == "collimator":
        return replace(recipe, collimator=_collimator(rng, recipe))
    point, _ = _place(rng, recipe)
    background = replace(recipe.background, diaphragm_mm=rng.uniform(15.0, 35.0), diaphragm_through_mm=point)
    return replace(recipe, background=background)


def _place(rng: np.random.Generator, recipe: Recipe) -> tuple[Point, float]:
    """Return a point on a limb between mouth and pick, and the limb's direction there, degrees."""
    limb = recipe.limbs[int(rng.integers(len(recipe.limbs)))]
    tube = limb_tubes(recipe)[limb.name]
    s = rng.uniform(5.0, limb.pick_mm - 3.0)
    x, y = tube.curve.point(s)
    return (float(x), float(y)), math.degrees(float(tube.curve.angle(np.array(s))))


def _crossing(rng: np.random.Generator, recipe: Recipe) -> Vessel:
    (x, y), along = _place(rng, recipe)
    direction, length = along + rng.uniform(35.0, 145.0), 36.0
    back = math.radians(direction)
    start = (x - math.cos(back) * length / 2, y - math.sin(back) * length / 2)
    diameter = rng.uniform(1.0, 2.2)
    return Vessel(start, Path(direction, length, rng.uniform(-0.008, 0.008)), diameter, 0.8 * diameter)


def _collimator(rng: np.random.Generator, recipe: Recipe) -> Collimator:
    """Lay a blade's edge beyond everything that is picked."""
    picks = picks_of(replace(recipe, pick_jitter_px=0.0))
    picked = [picks.proximal, picks.distal, picks.side, *(picks.catheter or ())]
    points = np.array([point for point in picked if point is not None]) * recipe.mm_per_px
    direction = rng.uniform(0.0, 360.0)
    outwards = np.array([math.cos(math.radians(direction)), math.sin(math.radians(direction))])
    last = points[int(np.argmax(points @ outwards))] + rng.uniform(1.5, 4.0) * outwards
    return Collimator((float(last[0]), float(last[1])), direction)


def _clipped(rng: np.random.Generator, recipe: Recipe) -> Recipe:
    grey = recipe.grey
    if rng.random() < 0.5:
        limit = grey.background_level * rng.uniform(1.05, 1.2)
        return replace(recipe, grey=replace(grey, clip_high=limit))
    path = _CLIPPED_PATH_PART * recipe.limb("proximal").diameter_mm
    seen = math.exp(-contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev) * path)
    stray = recipe.optics.scatter_fraction + recipe.optics.glare_fraction
    seen = stray + (1 - stray) * seen
    limit = grey.offset_level + (grey.background_level - grey.offset_level) * seen
    return replace(recipe, grey=replace(grey, clip_low=limit))
