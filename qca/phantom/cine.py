"""A run of frames: contrast arrives, the heart moves."""

from __future__ import annotations

import math
from dataclasses import replace

from qca.phantom.curve import Curve
from qca.phantom.recipe import Recipe
from qca.phantom.shapes import Path, Point


def turned(recipe: Recipe, pivot_mm: Point, angle_deg: float) -> Recipe:
    """Turn all vessels about a point; catheter, background and lengths stay."""
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))

    def moved(point: Point) -> Point:
        x, y = point[0] - pivot_mm[0], point[1] - pivot_mm[1]
        return (pivot_mm[0] + cos * x - sin * y, pivot_mm[1] + sin * x + cos * y)

    def turned_path(path: Path) -> Path:
        return replace(path, direction_deg=path.direction_deg + angle_deg)

    return replace(
        recipe,
        branching_point_mm=moved(recipe.branching_point_mm),
        limbs=tuple(replace(limb, path=turned_path(limb.path)) for limb in recipe.limbs),
        vessels=tuple(
            replace(vessel, start_mm=moved(vessel.start_mm), path=turned_path(vessel.path)) for vessel in recipe.vessels
        ),
    )


def filling_run(
    recipe: Recipe,
    *,
    count: int,
    frames_per_beat: float,
    diastole: int,
    mm_per_frame: float,
    swing_deg: float = 3.0,
) -> tuple[Recipe, ...]:
    """Let contrast run in over a beat or two while the vessels swing about the catheter's tip.

    Parameters
    ----------
    recipe : Recipe
        The filled vessels at the end of diastole.
    count : int
        Number of frames.
    frames_per_beat : float
        Length of a heart beat, frames.
    diastole : int
        Zero-based frame whose geometry is the recipe's own.
    mm_per_frame : float
        How far the contrast front comes per frame.
    swing_deg : float
        How far the vessels turn by mid-systole.

    Returns
    -------
    tuple of Recipe
        One per frame; they differ in ``frame``, geometry and contrast front. A front past all vessels is dropped.
    """
    limb = recipe.limbs[0]
    if recipe.kind == "bifurcation":
        x, y = Curve(limb.path, recipe.branching_point_mm).point(limb.path.length_mm)
        farthest = limb.path.length_mm + max(other.path.length_mm for other in recipe.limbs[1:])
    else:
        x, y = recipe.branching_point_mm
        farthest = limb.path.length_mm
    frames = []
    for frame in range(count):
        phase = 2 * math.pi * (frame - diastole) / frames_per_beat
        front = mm_per_frame * (frame + 0.5) - recipe.front_width_mm / 2
        frames.append(
            replace(
                turned(recipe, (float(x), float(y)), swing_deg * (1 - math.cos(phase)) / 2),
                frame=frame,
                front_mm=front if front < farthest + recipe.front_width_mm / 2 else None,
            )
        )
    return tuple(frames)
