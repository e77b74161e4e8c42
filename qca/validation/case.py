"""One frame with known truth: what is measured, and what it is measured against."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, get_args

from qca.frames.frame import Frame
from qca.picks import Picks

if TYPE_CHECKING:
    from qca.phantom.recipe import Recipe
    from qca.phantom.render import RenderedPhantom

Place = Literal["none", "mouth", "shaft", "unknown"]
PLACES: tuple[Place, ...] = get_args(Place)
"""Where a limb's lesion lies: nowhere, within 2 mm of the limb mouth, further out, or not told."""

MOUTH_MM = 2.0
"""A lesion whose limit comes this near to the limb mouth lies at the mouth."""


@dataclass(frozen=True, slots=True)
class LimbTarget:
    """True numbers of one limb; NaN where they are not known."""

    mld_mm: float = math.nan
    reference_mm: float = math.nan
    ds_percent: float = math.nan
    lesion_length_mm: float = math.nan
    place: Place = "unknown"


@dataclass(frozen=True, slots=True)
class Target:
    """True numbers of one frame; NaN, None or a missing limb where they are not known.

    The mappings are plain dictionaries, because a job goes to another process.
    """

    mm_per_px: float
    limbs: Mapping[str, LimbTarget]
    angles_deg: Mapping[str, float] | None = None
    medina: str | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """A frame, its picks, its truth, and the traits by which results are broken down.

    ``traits`` holds numbers such as ``photons_per_px``, ``blur_mm``, ``mm_per_px``, ``angle_b_deg``, each only where
    known. ``difficulty`` is empty for a frame of the plain population. ``recipe`` is there for a phantom whose
    information bound can be computed.
    """

    name: str
    frame: Frame
    picks: Picks
    target: Target
    difficulty: str = ""
    traits: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    recipe: Recipe | None = None


def phantom_case(recipe: Recipe, name: str, difficulty: str = "") -> Case:
    """Render one phantom as a case."""
    from qca.phantom import render

    phantom = render(recipe)
    return Case(
        name, phantom.frame(name), phantom.picks, phantom_target(phantom), difficulty, recipe_traits(recipe), recipe
    )


def recipe_traits(recipe: Recipe) -> Mapping[str, float]:
    """Traits of a phantom."""
    from qca.phantom.attenuation import contrast_per_mm

    traits = {
        "photons_per_px": recipe.photons_per_px,
        "mm_per_px": recipe.mm_per_px,
        "blur_mm": recipe.optics.blur_mm,
        "bits": float(recipe.grey.bits),
    }
    if recipe.catheter is not None:
        traits["french"] = recipe.catheter.french
        medium = contrast_per_mm(recipe.iodine_mg_per_ml, recipe.energy_kev)
        traits["wall_ratio"] = recipe.catheter.wall_per_mm / medium
    return MappingProxyType(traits)


def phantom_target(phantom: RenderedPhantom) -> Target:
    """Take the numbers that are compared from a phantom's truth."""
    truth = phantom.truth
    limbs = {}
    for name, limb in truth.limbs.items():
        place: Place = "none"
        if limb.lesion_length_mm > 0:
            place = "mouth" if limb.lesion_start_mm - limb.mouth_mm < MOUTH_MM and name != "segment" else "shaft"
        limbs[name] = LimbTarget(limb.mld_mm, limb.reference_mm, limb.ds_percent, limb.lesion_length_mm, place)
    angles = None if truth.angles_deg is None else dict(truth.angles_deg)
    return Target(truth.mm_per_px, limbs, angles, truth.medina)
