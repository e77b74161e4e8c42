"""The scenes of the shipped samples: invented vessels that look like an angiogram, one situation each.

Nothing here is taken from a patient. Proportions follow published normal values (Dodge JT Jr et al., Circulation
1992;86:232: proximal anterior descending artery 3.7 mm; Finet G et al., EuroIntervention 2008;3:490: daughters).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from qca.phantom.attenuation import contrast_per_mm
from qca.phantom.curve import Curve
from qca.phantom.joining import joined_smoothly
from qca.phantom.recipe import Grey, Recipe
from qca.phantom.shapes import Catheter, Lesion, Limb, Path, Point, Vessel


@dataclass(frozen=True, slots=True)
class Look:
    """Healthy widths of the limbs at the branching point, grey mapping and pixel size of a scene."""

    widths_mm: tuple[float, ...]
    grey: Grey
    mm_per_px: float = 0.2


def engaged_catheter(recipe: Recipe, french: float, *, bend_deg: float, wall_ratio: float = 1.0) -> Catheter:
    """Put a catheter's tip into the far end of the first limb and lead its shaft out of the frame.

    Parameters
    ----------
    recipe : Recipe
        Limbs, branching point, contrast.
    french : float
        Outer size.
    bend_deg : float
        How far the shaft turns behind its tip.
    wall_ratio : float
        Attenuation of the wall over that of the contrast medium.
    """
    limb = recipe.limbs[0]
    curve = Curve(limb.path, recipe.branching_point_mm)
    s = limb.path.length_mm - 0.5
    tip = curve.point(s)
    direction = math.degrees(float(curve.angle(np.array(s))))
    path = Path(direction, 75.0, bend_deg=bend_deg, bend_at_mm=9.0, bend_width_mm=4.0, curvature_per_mm=0.002)
    shaft = Curve(path, (float(tip[0]), float(tip[1])))
    along = np.arange(0.0, 75.0, 0.5)
    size = np.array([recipe.columns, recipe.rows]) * recipe.mm_per_px
    inside = ((shaft.point(along) > 2.0) & (shaft.point(along) < size - 2.0)).all(axis=1)
    last = float(along[inside][-1]) if inside.all() else float(along[int(np.argmin(inside)) - 1])
    return Catheter(
        (float(tip[0]), float(tip[1])),
        path,
        french,
        french / 3,
        french / 3 - 0.3,
        contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev) * wall_ratio,
        engaged=True,
        pick_mm=(max(13.0, last - 30.0), last),
    )


def _tree(
    seed: int,
    limbs: tuple[Limb, ...],
    origin: Point,
    lesions: Mapping[str, Lesion],
    look: Look,
) -> Recipe:
    """Put lesions into limbs and let their walls join."""
    diseased = tuple(replace(limb, lesions=(lesions[limb.name],)) if limb.name in lesions else limb for limb in limbs)
    # the carina depends on the step in the confluence and the step on the carina: twice is enough
    joined = joined_smoothly(joined_smoothly(diseased, origin), origin)
    return Recipe(seed, "bifurcation", joined, origin, mm_per_px=look.mm_per_px, grey=look.grey)


def _neighbour(limb: Limb, origin: Point) -> Vessel:
    """Return the other large vessel that leaves the same stem, well away from the measured limbs."""
    x, y = Curve(limb.path, origin).point(27.0)
    path = Path(-24.0, 66.0, 0.018, 10.0, 38.0, 0.0)
    return Vessel((float(x), float(y)), path, 2.9, 0.5, attached=True, upstream_mm=4.0)


def _branches(recipe: Recipe, *leaving: tuple[str, float, float, float, float]) -> tuple[Vessel, ...]:
    """Return small branches: limb, arc length where it leaves, turn in degrees, length and width in mm."""
    first = recipe.limbs[0]
    stem = 0.0 if first.name == "segment" else first.path.length_mm
    return tuple(
        _branch(recipe.limb(name), recipe.branching_point_mm, stem, at, turn, (length, width))
        for name, at, turn, length, width in leaving
    )


def _branch(
    limb: Limb, origin: Point, stem_mm: float, at_mm: float, turn_deg: float, size_mm: tuple[float, float]
) -> Vessel:
    """Return one small branch; ``size_mm`` is its length and width."""
    length_mm, width_mm = size_mm
    curve = Curve(limb.path, origin)
    x, y = curve.point(at_mm)
    direction = math.degrees(float(curve.angle(np.array(at_mm)))) + turn_deg
    curvature = -math.radians(turn_deg) / (2.2 * length_mm)
    path = Path(direction, length_mm, curvature, wave_deg=9.0, wave_length_mm=17.0, wave_phase_deg=40.0 * at_mm)
    upstream = {"segment": at_mm, "proximal": stem_mm - at_mm}.get(limb.name, stem_mm + at_mm)
    return Vessel((float(x), float(y)), path, width_mm, 0.25 * width_mm, attached=True, upstream_mm=upstream)


def left_coronary(seed: int, lesions: Mapping[str, Lesion], look: Look) -> Recipe:
    """Draw an anterior descending artery with a diagonal branch, catheter in the left main stem."""
    origin = (60.0, 53.0)
    limbs = (
        Limb("proximal", Path(248.0, 31.0, -0.026), look.widths_mm[0], 0.012, pick_mm=19.0),
        Limb(
            "distal", Path(92.0, 56.0, 0.004, 6.0, 34.0, 20.0), look.widths_mm[1], -0.012, run_off_mm=26.0, pick_mm=21.0
        ),
        Limb(
            "side", Path(40.0, 42.0, 0.012, 7.0, 30.0, 80.0), look.widths_mm[2], -0.012, run_off_mm=18.0, pick_mm=18.0
        ),
    )
    recipe = _tree(seed, limbs, origin, lesions, look)
    vessels = _branches(
        recipe,
        ("distal", 25.0, 50.0, 24.0, 0.9),
        ("distal", 31.0, 44.0, 20.0, 0.75),
        ("distal", 36.0, -48.0, 26.0, 1.1),
        ("side", 22.0, 38.0, 18.0, 0.8),
    )
    recipe = replace(recipe, vessels=(*vessels, _neighbour(recipe.limbs[0], origin)))
    return replace(recipe, catheter=engaged_catheter(recipe, 6.0, bend_deg=75.0))


def right_coronary(seed: int, lesions: Mapping[str, Lesion], look: Look) -> Recipe:
    """Draw a right coronary artery that ends in a posterior descending and a posterolateral branch."""
    origin = (54.0, 88.0)
    limbs = (
        Limb("proximal", Path(176.0, 96.0, 0.0295, 5.0, 38.0, 30.0), look.widths_mm[0], 0.006, pick_mm=22.0),
        Limb(
            "distal",
            Path(12.0, 44.0, -0.006, 8.0, 26.0, 10.0),
            look.widths_mm[1],
            -0.012,
            run_off_mm=20.0,
            pick_mm=19.0,
        ),
        Limb(
            "side", Path(-48.0, 40.0, 0.014, 8.0, 24.0, 200.0), look.widths_mm[2], -0.012, run_off_mm=18.0, pick_mm=17.0
        ),
    )
    recipe = _tree(seed, limbs, origin, lesions, look)
    vessels = _branches(
        recipe,
        ("proximal", 38.0, 70.0, 26.0, 1.2),
        ("proximal", 66.0, 60.0, 28.0, 1.3),
    )
    recipe = replace(recipe, vessels=vessels)
    return replace(recipe, catheter=engaged_catheter(recipe, 6.0, bend_deg=-70.0))


def second_diagonal(seed: int, lesions: Mapping[str, Lesion], look: Look) -> Recipe:
    """Draw a steep side branch in the middle of an anterior descending artery, seen from the left."""
    origin = (50.0, 54.0)
    limbs = (
        Limb("proximal", Path(300.0, 40.0, 0.012, 5.0, 30.0, 0.0), look.widths_mm[0], 0.010, pick_mm=19.0),
        Limb(
            "distal",
            Path(128.0, 50.0, -0.010, 7.0, 32.0, 40.0),
            look.widths_mm[1],
            -0.014,
            run_off_mm=24.0,
            pick_mm=19.0,
        ),
        Limb(
            "side", Path(205.0, 36.0, -0.020, 6.0, 26.0, 0.0), look.widths_mm[2], -0.010, run_off_mm=16.0, pick_mm=17.0
        ),
    )
    recipe = _tree(seed, limbs, origin, lesions, look)
    vessels = _branches(
        recipe,
        ("distal", 24.0, -52.0, 24.0, 0.9),
        ("distal", 29.0, 46.0, 20.0, 0.8),
        ("side", 21.0, -44.0, 15.0, 0.7),
    )
    recipe = replace(recipe, vessels=vessels)
    return replace(recipe, catheter=engaged_catheter(recipe, 5.0, bend_deg=-48.0))


def single_vessel(seed: int, lesion: Lesion, look: Look) -> Recipe:
    """Draw the middle third of a right coronary artery, one segment without branches."""
    start = (72.0, 26.0)
    path = Path(196.0, 104.0, -0.0285, 6.0, 42.0, 0.0)
    limb = Limb(
        "segment", path, look.widths_mm[0], -0.006, run_off_mm=14.0, lesions=(lesion,), first_pick_mm=24.0, pick_mm=64.0
    )
    recipe = Recipe(seed, "segment", (limb,), start, mm_per_px=look.mm_per_px, grey=look.grey)
    recipe = replace(
        recipe, vessels=_branches(recipe, ("segment", 17.0, 62.0, 24.0, 1.0), ("segment", 70.0, 55.0, 24.0, 1.1))
    )
    tip = (start[0] + 1.2, start[1] - 0.4)
    path = Path(16.0, 70.0, bend_deg=-78.0, bend_at_mm=9.0, bend_width_mm=4.0)
    contrast = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
    return replace(
        recipe, catheter=Catheter(tip, path, 7.0, 7 / 3, 7 / 3 - 0.3, contrast, engaged=True, pick_mm=(13.0, 32.0))
    )
