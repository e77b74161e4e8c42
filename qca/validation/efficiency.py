"""The information bound of a phantom: its truth, put into the bound of the blurred cylinder."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qca.tube.bound import Imaging
from qca.tube.tree_bound import LimbShape, tree_bound

if TYPE_CHECKING:
    from qca.phantom.recipe import Recipe
    from qca.phantom.truth import LimbTruth

SMOOTHNESS_MM = 2.0
"""Inside a lesion the radius may follow any cubic spline with knots this far apart; drawn lesions need none finer."""

_LESION_PART = 2e-3
"""Relative distance from the taper where a lesion begins."""


@dataclass(frozen=True, slots=True)
class PhantomBound:
    """Lowest SD of one limb's numbers, scale known; NaN for MLD and DS of a limb without lesion.

    There the true diameter is a taper, its minimum lies at an end, and no spread of a minimum can be stated.
    """

    mld_mm: float
    reference_mm: float
    ds_percent: float


def bounded(recipe: Recipe) -> bool:
    """Whether the bound's model describes the phantom: round lumens, evenly filled, on a linear scale, at rest."""
    optics, grey = recipe.optics, recipe.grey
    return (
        math.isfinite(recipe.photons_per_px)
        and grey.mapping == "linear"
        and (grey.clip_low, grey.clip_high) == (0.0, 1.0)
        and optics.motion_mm == 0
        and optics.after_detection == 0
        and optics.point_spread == "gaussian"
        and recipe.guide_wire is None
        and recipe.second_wire is None
        and recipe.front_mm is None
        and not recipe.vessels
        and all(limb.depth_ratio == 1.0 for limb in recipe.limbs)
    )


def imaging_of(recipe: Recipe) -> Imaging:
    """How a phantom was made, as the bound wants it."""
    from qca.phantom.attenuation import contrast_per_mm

    grey, optics, pixel = recipe.grey, recipe.optics, recipe.mm_per_px
    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev) * recipe.lumen_filling
    return Imaging(
        photons_per_px=recipe.photons_per_px,
        blur_px=math.sqrt((optics.blur_mm / pixel) ** 2 + 1 / 12),
        contrast_per_px=contrast * pixel,
        stray_fraction=optics.scatter_fraction + optics.glare_fraction,
        grey_steps=(grey.background_level - grey.offset_level) * (2**grey.bits - 1),
    )


def phantom_bounds(recipe: Recipe) -> Mapping[str, PhantomBound]:
    """Bound for each limb of a phantom, with contrast, blur and bending unknown and shared by its limbs.

    Local differences of the background are left out: its median stands for all places. The catheter, which also
    tells about blur and bending, and the confluence are left out too.

    Raises
    ------
    ValueError
        If the bound's model does not describe the phantom; see `bounded`.
    """
    from qca.phantom.truth import truth_of

    if not bounded(recipe):
        msg = "this phantom has no information bound: its lumen or its grey scale is not that of the model"
        raise ValueError(msg)
    truth = truth_of(recipe)
    imaging = imaging_of(recipe)
    shapes = [_shape(limb, recipe.mm_per_px) for limb in truth.limbs.values()]
    found = tree_bound(shapes, imaging, smoothness_px=SMOOTHNESS_MM / recipe.mm_per_px)
    out = {}
    for name, shape, bound in zip(truth.limbs, shapes, found, strict=True):
        narrowed = shape.lesion is not None
        out[name] = PhantomBound(
            bound.mld_px * recipe.mm_per_px if narrowed else math.nan,
            bound.reference_px * recipe.mm_per_px,
            bound.ds_percent if narrowed else math.nan,
        )
    return out


def _shape(limb: LimbTruth, mm_per_px: float) -> LimbShape:
    """Rows one pixel apart from the limb mouth to the pick."""
    at = np.arange(limb.mouth_mm, limb.position_mm[-1], mm_per_px)
    diameter = np.interp(at, limb.position_mm, limb.diameter_mm)
    taper = np.interp(at, limb.position_mm, limb.reference_diameter_mm)
    narrow = np.flatnonzero(diameter < taper * (1 - _LESION_PART))
    lesion = None
    if limb.ds_percent > 0 and len(narrow):
        # a lesion that lies over the mouth or the pick begins before, or ends after, what is seen
        first = -1.0 if narrow[0] == 0 else float(narrow[0] - 1)
        last = float(len(at)) if narrow[-1] == len(at) - 1 else float(narrow[-1] + 1)
        lesion = (first, last)
    row = min((limb.mld_position_mm - limb.mouth_mm) / mm_per_px, len(at) - 1.0)
    return LimbShape(diameter / 2 / mm_per_px, row, lesion)
