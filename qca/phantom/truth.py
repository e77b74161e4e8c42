"""The known geometry behind a phantom frame.

Definitions
-----------
position
    Arc length along a limb from its cross-section at the carina outwards, mm. Distal and side: zero is the foot of the
    carina on that limb's centreline. Proximal: arc length to the branching point plus the distance from the branching
    point to the carina's foot along the distal limb. Segment: arc length from the start pick.
branching point, carina
    Where the centrelines meet; and, between distal and side limb, the point of the joined lumen's outline that is
    nearest to the branching point.
limb mouth
    First cross-section going outwards from which on both walls belong to that limb alone, ``mouth_mm``.
mld_mm
    Smallest true width perpendicular to the centreline between the limb mouth and the limb's pick.
reference_mm
    The limb's lesion-free taper at the position of the MLD. ``ds_percent`` = 100 (1 - mld / reference).
lesion_length_mm
    Length of the stretch around the MLD, within mouth and pick, where the true width is under 90 % of the taper; 0
    when it never is.
angles
    Between the straight lines from the branching point to the points of the lumens' middle lines 5 mm away: A
    proximal-side, B distal-side, C proximal-distal, degrees.
medina
    Proximal, distal, side; 1 where ds_percent >= 50 (Medina A et al., Rev Esp Cardiol 2006;59:183).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.phantom.attenuation import contrast_per_mm
from qca.phantom.confluence import carina_mm, chord_point, mouth_s
from qca.phantom.recipe import Recipe
from qca.phantom.shapes import Limb
from qca.phantom.transmission import limb_tubes
from qca.phantom.tube import Tube, reference_diameter, true_diameter

Vector = npt.NDArray[np.float64]

STEP_MM = 0.1
"""Spacing of the true diameters that are written out, mm."""

_FINE_MM = 0.005
"""Spacing at which minimum and lesion limits are searched, mm."""

_LESION_PART = 0.9
_MEDINA_PERCENT = 50.0


@dataclass(frozen=True, slots=True)
class LimbTruth:
    """Truth of one limb; see the module's definitions. Arrays have shape (N,), from mouth of the path to the pick."""

    mld_mm: float
    mld_position_mm: float
    reference_mm: float
    ds_percent: float
    lesion_start_mm: float
    lesion_end_mm: float
    lesion_length_mm: float
    mouth_mm: float
    length_mm: float
    position_mm: Vector
    diameter_mm: Vector
    reference_diameter_mm: Vector
    x_px: Vector
    y_px: Vector


@dataclass(frozen=True, slots=True)
class Truth:
    """Truth of one frame; points are (x, y) in stored pixels. Angles and Medina code are None for a segment."""

    mm_per_px: float
    limbs: Mapping[str, LimbTruth]
    angles_deg: Mapping[str, float] | None
    medina: str | None
    branching_point_px: tuple[float, float] | None
    carina_px: tuple[float, float] | None
    contrast_per_mm: float
    catheter_mm: float | None
    recipe: Recipe

    def to_json(self) -> dict[str, object]:
        """Plain dictionary for truth.json; lengths rounded to 0.1 micrometre."""
        from qca import CAUTION
        from qca.codec import encode

        limbs: dict[str, object] = {}
        for name, limb in self.limbs.items():
            numbers = asdict(limb)
            profile = {
                key: [round(float(v), 4) for v in numbers.pop(key)]
                for key in ("position_mm", "diameter_mm", "reference_diameter_mm", "x_px", "y_px")
            }
            limbs[name] = {key: round(value, 5) for key, value in numbers.items()} | {"profile": profile}
        return {
            "schema": "qca.truth/1",
            "caution": CAUTION,
            "kind": self.recipe.kind,
            "scale": {"mm_per_px": self.mm_per_px},
            "limbs": limbs,
            "angles_deg": None if self.angles_deg is None else {k: round(v, 4) for k, v in self.angles_deg.items()},
            "medina": None if self.medina is None else {"code": self.medina, "threshold_percent": _MEDINA_PERCENT},
            "branching_point_px": _rounded(self.branching_point_px),
            "carina_px": _rounded(self.carina_px),
            "contrast_per_mm": round(self.contrast_per_mm, 6),
            "catheter_mm": self.catheter_mm,
            "recipe": encode(self.recipe),
        }


def _rounded(point: tuple[float, float] | None) -> list[float] | None:
    return None if point is None else [round(value, 4) for value in point]


def truth_of(recipe: Recipe) -> Truth:
    """Compute the truth of a recipe, without rendering it.

    Raises
    ------
    ValueError
        If a limb's pick lies inside the confluence or beyond its path.
    """
    if not recipe.limbs:
        msg = "a recipe without limbs has no truth"
        raise ValueError(msg)
    tubes = limb_tubes(recipe)
    origin = recipe.branching_point_mm
    limbs: dict[str, LimbTruth]
    if recipe.kind == "segment":
        limb = recipe.limbs[0]
        limbs = {limb.name: _limb_truth(limb, tubes[limb.name], limb.first_pick_mm, -limb.first_pick_mm, recipe)}
        angles, medina, carina = None, None, None
    else:
        carina = carina_mm(tubes, origin)
        feet = {name: float(tubes[name].curve.foot(np.array([carina])).s_mm[0]) for name in ("distal", "side")}
        shifts = {"proximal": feet["distal"], "distal": -feet["distal"], "side": -feet["side"]}
        limbs = {
            limb.name: _limb_truth(
                limb, tubes[limb.name], mouth_s(limb.name, tubes, limb.pick_mm), shifts[limb.name], recipe
            )
            for limb in recipe.limbs
        }
        angles = _angles(tubes, origin)
        digits = (limbs[name].ds_percent >= _MEDINA_PERCENT for name in ("proximal", "distal", "side"))
        medina = ",".join(str(int(digit)) for digit in digits)
    return Truth(
        mm_per_px=recipe.mm_per_px,
        limbs=limbs,
        angles_deg=angles,
        medina=medina,
        branching_point_px=None if carina is None else _px(origin, recipe),
        carina_px=None if carina is None else _px(carina, recipe),
        contrast_per_mm=contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev) * recipe.lumen_filling,
        catheter_mm=None if recipe.catheter is None else recipe.catheter.diameter_mm,
        recipe=recipe,
    )


def _px(point: tuple[float, float], recipe: Recipe) -> tuple[float, float]:
    return (point[0] / recipe.mm_per_px, point[1] / recipe.mm_per_px)


def _limb_truth(limb: Limb, tube: Tube, mouth: float, shift: float, recipe: Recipe) -> LimbTruth:
    if not mouth + 1.0 < limb.pick_mm <= limb.path.length_mm:
        msg = f"pick_mm of the {limb.name} limb must lie between {mouth + 1.0:.2f} and {limb.path.length_mm:g}"
        raise ValueError(msg)
    s = np.linspace(mouth, limb.pick_mm, math.ceil((limb.pick_mm - mouth) / _FINE_MM) + 1)
    diameter, reference = true_diameter(limb, s), reference_diameter(limb, s)
    # of equal minima (a flat lesion) the middle one
    low = np.flatnonzero(diameter <= diameter.min() + 1e-9)
    at = int(low[low.size // 2])
    narrow = diameter < _LESION_PART * reference
    start = end = at
    if narrow[at]:
        before, after = np.flatnonzero(~narrow[:at]), np.flatnonzero(~narrow[at:])
        start = int(before[-1]) + 1 if before.size else 0
        end = at + int(after[0]) - 1 if after.size else s.size - 1
    first = max(0.0, -shift) if recipe.kind == "bifurcation" else mouth
    rows = np.arange(first, limb.pick_mm + 1e-9, STEP_MM)
    centre = tube.middle(rows)
    return LimbTruth(
        mld_mm=float(diameter[at]),
        mld_position_mm=float(s[at]) + shift,
        reference_mm=float(reference[at]),
        ds_percent=float(100 * (1 - diameter[at] / reference[at])),
        lesion_start_mm=float(s[start]) + shift,
        lesion_end_mm=float(s[end]) + shift,
        lesion_length_mm=float(s[end] - s[start]),
        mouth_mm=mouth + shift,
        length_mm=limb.pick_mm + shift,
        position_mm=rows + shift,
        diameter_mm=true_diameter(limb, rows),
        reference_diameter_mm=reference_diameter(limb, rows),
        x_px=centre[:, 0] / recipe.mm_per_px,
        y_px=centre[:, 1] / recipe.mm_per_px,
    )


def _angles(tubes: Mapping[str, Tube], origin: tuple[float, float]) -> dict[str, float]:
    ends = {name: chord_point(tube, origin) - np.asarray(origin) for name, tube in tubes.items()}

    def between(first: str, second: str) -> float:
        one, two = ends[first], ends[second]
        return math.degrees(abs(math.atan2(one[0] * two[1] - one[1] * two[0], float(one @ two))))

    return {"A": between("proximal", "side"), "B": between("distal", "side"), "C": between("proximal", "distal")}


def without_lesions(recipe: Recipe) -> Recipe:
    """Return the same vessel, healthy."""
    return replace(recipe, limbs=tuple(replace(limb, lesions=()) for limb in recipe.limbs))
