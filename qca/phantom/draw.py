"""Random phantoms: the population on which the measurement is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from qca.phantom.attenuation import iodine_cm2_per_g
from qca.phantom.curve import Curve
from qca.phantom.recipe import (
    Background,
    Catheter,
    Grey,
    Lesion,
    Limb,
    LimbName,
    Optics,
    Path,
    Point,
    Recipe,
)
from qca.phantom.transmission import limb_tubes
from qca.phantom.truth import carina_mm, mouth_s

Range = tuple[float, float]

_HK_EXPONENT = 7 / 3
"""Huo Y, Kassab GS: Dp^(7/3) = D1^(7/3) + D2^(7/3) (Huo Y et al., EuroIntervention 2012;7:1310)."""

_TRIES = 400


@dataclass(frozen=True, slots=True)
class Ranges:
    """What `random_bifurcation` and `random_segment` draw from; (low, high), uniform unless said otherwise.

    ``photons_per_px`` and ``proximal_mm`` are drawn evenly in the logarithm. ``lesion_share``: probability that a limb
    has a lesion, ``ostial_share``: that it sits at the limb mouth. ``law_sd``: relative spread of the daughters around
    the diameter law. ``wall_ratio``: attenuation of the catheter's wall over that of the contrast medium.
    """

    photons_per_px: Range = (300.0, 2500.0)
    mm_per_px: Range = (0.14, 0.26)
    blur_mm: Range = (0.15, 0.28)
    contrast_per_mm: Range = (0.06, 0.22)
    energy_kev: Range = (55.0, 70.0)
    bits: tuple[int, ...] = (8, 12)
    mappings: tuple[Literal["linear", "log", "gamma"], ...] = ("linear",)
    point_spreads: tuple[Literal["gaussian", "two_gaussians", "focal_bar"], ...] = ("gaussian",)
    proximal_mm: Range = (2.0, 4.5)
    daughter_ratio: Range = (0.6, 1.0)
    law_sd: float = 0.04
    angle_b_deg: Range = (35.0, 100.0)
    angle_c_deg: Range = (130.0, 175.0)
    limb_mm: Range = (13.0, 23.0)
    curvature_per_mm: Range = (-0.012, 0.012)
    taper_per_mm: Range = (0.0, 0.012)
    lesion_share: float = 0.6
    ostial_share: float = 0.25
    ds_percent: Range = (20.0, 80.0)
    lesion_mm: Range = (4.0, 14.0)
    eccentricity: Range = (-1.0, 1.0)
    depth_ratio: Range = (1.0, 1.0)
    french: tuple[float, ...] = (5.0, 6.0, 7.0)
    wall_ratio: Range = (0.8, 1.2)
    filling: Range = (1.0, 1.0)
    scatter_fraction: Range = (0.05, 0.3)
    glare_fraction: Range = (0.0, 0.05)
    offset_level: Range = (0.0, 0.05)
    background_level: Range = (0.5, 0.7)
    tissue_mm: Range = (2.0, 8.0)
    ribs_mm: Range = (0.0, 3.0)
    spine_share: float = 0.3
    diaphragm_share: float = 0.3
    texture_mm: Range = (0.05, 0.2)
    motion_mm: Range = (0.0, 0.0)
    pick_jitter_px: float = 1.0
    size_px: int = 512


RANGES = Ranges()
"""The population of the accuracy figures."""


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
    RuntimeError
        If the ranges leave no room for limbs and catheter in the frame.
    """
    ranges = replace(ranges, **changes)  # type: ignore[arg-type]
    rng = np.random.default_rng([seed, 0])
    for _ in range(_TRIES):
        recipe = _frame(seed, rng, ranges)
        origin = _middle(recipe, rng)
        limbs = _limbs(rng, ranges, origin)
        if not _inside(limbs, origin, recipe):
            continue
        recipe = replace(recipe, kind="bifurcation", limbs=limbs, branching_point_mm=origin)
        recipe = _with_lesions(rng, recipe, ranges)
        catheter = _catheter(rng, recipe, ranges)
        if catheter is not None:
            return replace(recipe, catheter=catheter)
    msg = f"no room for limbs and catheter in {_TRIES} tries with seed {seed}; ask for shorter limbs or larger pixels"
    raise RuntimeError(msg)


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
        catheter = _catheter(rng, recipe, ranges)
        if catheter is not None:
            return replace(recipe, catheter=catheter)
    msg = f"no room for segment and catheter in {_TRIES} tries with seed {seed}; ask for shorter limbs or larger pixels"
    raise RuntimeError(msg)


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


def _limbs(rng: np.random.Generator, ranges: Ranges, origin: Point) -> tuple[Limb, ...]:
    """Healthy limbs whose diameters roughly obey a law and whose walls join smoothly."""
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
    return joined_smoothly(tuple(limbs), origin)


def joined_smoothly(limbs: tuple[Limb, ...], origin: Point) -> tuple[Limb, ...]:
    """Let the main vessel step down evenly across the confluence.

    From the proximal limb's mouth to the carina its width goes smoothly from the proximal to the distal diameter; in
    front of the mouth and behind the carina the limbs keep their tapers.
    """
    proximal, distal, side = limbs
    scene = Recipe(seed=0, kind="bifurcation", limbs=limbs, branching_point_mm=origin)
    tubes = limb_tubes(scene)
    foot = float(tubes["distal"].curve.foot(np.array([carina_mm(tubes, origin)])).s_mm[0])
    # the distal tube's round end lies inside the proximal one: only the side branch opens the proximal limb's wall
    mouth = mouth_s("proximal", {"proximal": tubes["proximal"], "side": tubes["side"]}, proximal.pick_mm)
    change = proximal.diameter_mm - distal.diameter_mm
    foot = max(foot, 0.3)
    return (
        replace(proximal, step_mm=-change, step_from_mm=-foot, step_to_mm=mouth),
        replace(distal, step_mm=change, step_from_mm=-mouth, step_to_mm=foot),
        side,
    )


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


def _catheter(rng: np.random.Generator, recipe: Recipe, ranges: Ranges) -> Catheter | None:
    """Return a shaft that enters at the frame's edge and keeps clear of the limbs, or None when there is no room."""
    french = ranges.french[int(rng.integers(len(ranges.french)))]
    filling = rng.uniform(*ranges.filling)
    wall_ratio = rng.uniform(*ranges.wall_ratio)
    contrast = recipe.iodine_mg_per_ml / 1e4 * iodine_cm2_per_g(recipe.energy_kev)
    tubes = limb_tubes(recipe)
    lumen = np.concatenate([tube.curve.point(np.arange(0.0, tube.curve.length_mm, 1.0)) for tube in tubes.values()])
    size = np.array([recipe.columns, recipe.rows]) * recipe.mm_per_px
    clear = 2.25 + french / 6 + 2.5
    for _ in range(60):
        edge = int(rng.integers(4))
        share, turn = rng.uniform(0.1, 0.9), rng.uniform(-60.0, 60.0)
        start = [(share * size[0], 0.0), (size[0], share * size[1]), (share * size[0], size[1]), (0.0, share * size[1])][
            edge
        ]
        path = Path((90.0, 180.0, 270.0, 0.0)[edge] + turn, rng.uniform(28.0, 45.0), rng.uniform(-0.025, 0.025))
        curve = Curve(path, (float(start[0]), float(start[1])))
        points = curve.point(np.arange(0.0, path.length_mm, 0.5))
        inside = ((points > 2.0) & (points < size - 2.0)).all(axis=1)
        seen = np.flatnonzero(inside) * 0.5
        if seen.size < 46 or np.diff(np.flatnonzero(inside)).max() > 1:
            continue
        if np.hypot(*(points[:, None, :] - lumen).transpose(2, 0, 1)).min() < clear:
            continue
        diameter = french / 3
        return Catheter(
            (float(start[0]), float(start[1])),
            path,
            french,
            diameter,
            diameter - 0.3,
            contrast * wall_ratio,
            filling,
            (float(seen[0]), float(min(seen[-1], seen[0] + rng.uniform(20.0, 30.0)))),
        )
    return None
