"""Random phantoms: the population on which the measurement is judged."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np

from qca.errors import InputError
from qca.phantom.attenuation import iodine_cm2_per_g
from qca.phantom.confluence import mouth_s
from qca.phantom.curve import Curve
from qca.phantom.joining import joined_smoothly
from qca.phantom.ranges import RANGES, Range, Ranges
from qca.phantom.recipe import Background, Grey, Optics, Recipe
from qca.phantom.shaft import random_shaft
from qca.phantom.shapes import Lesion, Limb, LimbName, Path, Point
from qca.phantom.transmission import limb_tubes

_HK_EXPONENT = 7 / 3
"""Huo Y, Kassab GS: Dp^(7/3) = D1^(7/3) + D2^(7/3) (Huo Y et al., EuroIntervention 2012;7:1310)."""

_TRIES = 400


def random_bifurcation(seed: int, ranges: Ranges = RANGES, **changes: object) -> Recipe:
    """Draw a bifurcation.

    Parameters
    ----------
    seed : int
        Same seed, same recipe.
    ranges : Ranges
        What to draw from.
    **changes
        Fields of `Ranges` to replace, e.g. ``photons_per_px=(900, 900)``.

    Returns
    -------
    Recipe
        512 x 512 pixels unless changed, with a catheter of at least 22 mm in the frame.

    Raises
    ------
    InputError
        If the ranges leave no room for limbs and catheter in the frame.
    """
    ranges = replace(ranges, **changes)  # type: ignore[arg-type]
    rng = np.random.default_rng([seed, 0])
    for _ in range(_TRIES):
        recipe = _frame(seed, rng, ranges)
        origin = _middle(recipe, rng)
        limbs = _limbs(rng, ranges)
        if not _inside(limbs, origin, recipe):
            continue
        limbs = joined_smoothly(limbs, origin)
        recipe = replace(recipe, kind="bifurcation", limbs=limbs, branching_point_mm=origin)
        recipe = _with_lesions(rng, recipe, ranges)
        catheter = random_shaft(rng, recipe, ranges)
        if catheter is not None:
            return replace(recipe, catheter=catheter)
    msg = f"No room for limbs and catheter with seed {seed} in {_TRIES} tries: take larger pixels or a larger frame."
    raise InputError(msg)


def random_segment(seed: int, ranges: Ranges = RANGES, **changes: object) -> Recipe:
    """Draw one segment without branches; see `random_bifurcation`."""
    ranges = replace(ranges, **changes)  # type: ignore[arg-type]
    rng = np.random.default_rng([seed, 0])
    for _ in range(_TRIES):
        recipe = _frame(seed, rng, ranges)
        length = rng.uniform(*ranges.limb_mm) + 12.0
        direction = rng.uniform(0.0, 360.0)
        middle = _middle(recipe, rng)
        back = math.radians(direction)
        origin = (middle[0] - math.cos(back) * (length / 2 + 6), middle[1] - math.sin(back) * (length / 2 + 6))
        limb = Limb(
            "segment",
            Path(direction, length + 12.0, rng.uniform(*ranges.curvature_per_mm)),
            _log_uniform(rng, ranges.proximal_mm),
            taper_mm_per_mm=-rng.uniform(*ranges.taper_per_mm),
            depth_ratio=rng.uniform(*ranges.depth_ratio),
            first_pick_mm=6.0,
            pick_mm=6.0 + length,
        )
        if not _inside((limb,), origin, recipe):
            continue
        if rng.random() < ranges.lesion_share:
            extent = min(rng.uniform(*ranges.lesion_mm), length - 8.0)
            centre = rng.uniform(10.0 + extent / 2, 2.0 + length - extent / 2)
            limb = replace(limb, lesions=(_lesion(rng, centre, extent, ranges),))
        recipe = replace(recipe, kind="segment", limbs=(limb,), branching_point_mm=origin)
        catheter = random_shaft(rng, recipe, ranges)
        if catheter is not None:
            return replace(recipe, catheter=catheter)
    msg = f"No room for segment and catheter with seed {seed} in {_TRIES} tries: take larger pixels or a larger frame."
    raise InputError(msg)


def _log_uniform(rng: np.random.Generator, limits: Range) -> float:
    return float(np.exp(rng.uniform(math.log(limits[0]), math.log(limits[1]))))


def _frame(seed: int, rng: np.random.Generator, ranges: Ranges) -> Recipe:
    """Draw everything but the geometry; the limbs are still empty."""
    energy = rng.uniform(*ranges.energy_kev)
    contrast = rng.uniform(*ranges.contrast_per_mm)
    return Recipe(
        seed=seed,
        kind="bifurcation",
        limbs=(),
        branching_point_mm=(0.0, 0.0),
        rows=ranges.size_px,
        columns=ranges.size_px,
        mm_per_px=rng.uniform(*ranges.mm_per_px),
        iodine_mg_per_ml=contrast * 1e4 / iodine_cm2_per_g(energy),
        energy_kev=energy,
        photons_per_px=_log_uniform(rng, ranges.photons_per_px),
        background=Background(
            tissue_mm=rng.uniform(*ranges.tissue_mm),
            ribs_mm=rng.uniform(*ranges.ribs_mm),
            spine_mm=8.0 * float(rng.random() < ranges.spine_share),
            diaphragm_mm=20.0 * float(rng.random() < ranges.diaphragm_share),
            texture_mm=rng.uniform(*ranges.texture_mm),
            texture_size_mm=rng.uniform(1.5, 4.0),
        ),
        optics=Optics(
            blur_mm=rng.uniform(*ranges.blur_mm),
            point_spread=ranges.point_spreads[int(rng.integers(len(ranges.point_spreads)))],
            scatter_fraction=rng.uniform(*ranges.scatter_fraction),
            glare_fraction=rng.uniform(*ranges.glare_fraction),
            motion_mm=rng.uniform(*ranges.motion_mm),
            motion_deg=rng.uniform(0.0, 180.0),
        ),
        grey=Grey(
            bits=ranges.bits[int(rng.integers(len(ranges.bits)))],
            mapping=ranges.mappings[int(rng.integers(len(ranges.mappings)))],
            background_level=rng.uniform(*ranges.background_level),
            offset_level=rng.uniform(*ranges.offset_level),
            gamma=rng.uniform(0.5, 0.8),
        ),
        pick_jitter_px=ranges.pick_jitter_px,
    )


def _middle(recipe: Recipe, rng: np.random.Generator) -> Point:
    x, y = rng.uniform(0.4, 0.6, 2) * (recipe.columns, recipe.rows)
    return (float(x) * recipe.mm_per_px, float(y) * recipe.mm_per_px)


def _limbs(rng: np.random.Generator, ranges: Ranges) -> tuple[Limb, ...]:
    """Healthy limbs whose diameters roughly obey a law."""
    proximal = _log_uniform(rng, ranges.proximal_mm)
    ratio = rng.uniform(*ranges.daughter_ratio)
    major = proximal / (1 + ratio**_HK_EXPONENT) ** (1 / _HK_EXPONENT)
    distal = min(major * (1 + ranges.law_sd * rng.standard_normal()), 0.98 * proximal)
    side = min(major * ratio * (1 + ranges.law_sd * rng.standard_normal()), distal)
    angle_b, angle_c = rng.uniform(*ranges.angle_b_deg), rng.uniform(*ranges.angle_c_deg)
    # A = 360 - B - C must stay a proper angle, and the side branch must not run back along the proximal limb
    angle_c = float(np.clip(angle_c, max(ranges.angle_c_deg[0], 182.0 - angle_b), 270.0 - angle_b))
    hand = 1.0 if rng.random() < 0.5 else -1.0
    first = rng.uniform(0.0, 360.0)
    directions = {"proximal": first, "distal": first + hand * angle_c, "side": first + hand * (angle_c + angle_b)}
    diameters = {"proximal": proximal, "distal": distal, "side": side}
    limbs: list[Limb] = []
    names: tuple[LimbName, ...] = ("proximal", "distal", "side")
    for name in names:
        taper = rng.uniform(*ranges.taper_per_mm)
        pick = rng.uniform(*ranges.limb_mm)
        run_off = 6.0
        limbs.append(
            Limb(
                name,
                Path(directions[name], pick + 4.0 + run_off, rng.uniform(*ranges.curvature_per_mm)),
                diameters[name],
                taper_mm_per_mm=taper if name == "proximal" else -taper,
                run_off_mm=run_off,
                depth_ratio=rng.uniform(*ranges.depth_ratio),
                pick_mm=pick,
            )
        )
    return tuple(limbs)


def _inside(limbs: tuple[Limb, ...], origin: Point, recipe: Recipe) -> bool:
    """Whether the picked parts, with 3 mm to spare, lie in the frame."""
    for limb in limbs:
        s = np.arange(limb.first_pick_mm - 3.0, limb.pick_mm + 3.0, 1.0)
        points = Curve(limb.path, origin).point(s)
        limit = np.array([recipe.columns, recipe.rows]) * recipe.mm_per_px - 2.0
        if (points < 2.0).any() or (points > limit).any():
            return False
    return True


def _lesion(rng: np.random.Generator, centre: float, length: float, ranges: Ranges) -> Lesion:
    shapes: tuple[Literal["cosine", "plateau", "skewed"], ...] = ("cosine", "plateau", "skewed")
    return Lesion(
        centre,
        length,
        rng.uniform(*ranges.ds_percent),
        shapes[int(rng.integers(len(shapes)))],
        rng.uniform(*ranges.eccentricity),
    )


def _with_lesions(rng: np.random.Generator, recipe: Recipe, ranges: Ranges) -> Recipe:
    tubes = limb_tubes(recipe)
    limbs = []
    for limb in recipe.limbs:
        if rng.random() >= ranges.lesion_share:
            limbs.append(limb)
            continue
        mouth = mouth_s(limb.name, tubes, limb.pick_mm)
        # a healthy piece of 3 mm stays in front of the pick
        room = limb.pick_mm - 3.0 - mouth
        length = min(rng.uniform(*ranges.lesion_mm), 0.75 * room)
        last = mouth + room - length / 2
        ostial = rng.random() < ranges.ostial_share
        centre = mouth + rng.uniform(0.1, 0.5) * length if ostial else rng.uniform(mouth + length / 2, last)
        limbs.append(replace(limb, lesions=(_lesion(rng, min(centre, last), length, ranges),)))
    # a lesion at a mouth moves the carina
    return replace(recipe, limbs=joined_smoothly(tuple(limbs), recipe.branching_point_mm))
