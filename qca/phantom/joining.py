"""How the main vessel narrows across a confluence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from qca.phantom.confluence import carina_mm, mouth_s
from qca.phantom.recipe import Recipe
from qca.phantom.shapes import Limb, Point
from qca.phantom.transmission import limb_tubes


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
