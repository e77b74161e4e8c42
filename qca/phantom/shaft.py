"""A place for a catheter in the frame."""

from __future__ import annotations

import numpy as np

from qca.phantom.attenuation import contrast_per_mm
from qca.phantom.curve import Curve
from qca.phantom.ranges import Ranges
from qca.phantom.recipe import Recipe
from qca.phantom.shapes import Catheter, Path
from qca.phantom.transmission import limb_tubes

_WALL_MM = 0.15
"""Thickness of a shaft's wall, mm. Common practice, no source."""


def random_shaft(rng: np.random.Generator, recipe: Recipe, ranges: Ranges) -> Catheter | None:
    """Return a shaft that enters at the frame's edge and keeps clear of the limbs, or None when there is no room."""
    french = ranges.french[int(rng.integers(len(ranges.french)))]
    filling = rng.uniform(*ranges.filling)
    wall_ratio = rng.uniform(*ranges.wall_ratio)
    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    tubes = limb_tubes(recipe)
    lumen = np.concatenate([tube.curve.point(np.arange(0.0, tube.curve.length_mm, 1.0)) for tube in tubes.values()])
    size = np.array([recipe.columns, recipe.rows]) * recipe.mm_per_px
    clear = 2.25 + french / 6 + 2.5
    for _ in range(60):
        edge = int(rng.integers(4))
        share, turn = rng.uniform(0.1, 0.9), rng.uniform(-60.0, 60.0)
        start = ((share, 0.0), (1.0, share), (share, 1.0), (0.0, share))[edge] * size
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
            diameter - 2 * _WALL_MM,
            contrast * wall_ratio,
            filling,
            pick_mm=(float(seen[0]), float(min(seen[-1], seen[0] + rng.uniform(20.0, 30.0)))),
        )
    return None
