"""What others published about measurements of known objects; reference lines in tables and figures.

Only figures that were read in a published abstract or table are here. They come from other objects, images and
definitions; they say what is usual, not which is better.
"""

from __future__ import annotations

from dataclasses import dataclass

from qca.validation.value import Quantity


@dataclass(frozen=True, slots=True)
class Published:
    """A published accuracy (bias) and precision (SD); ranges where several systems were compared."""

    quantity: Quantity
    what: str
    bias: tuple[float, float]
    sd: tuple[float, float]
    source: str


_KEANE = "Keane D et al., Circulation 1995;91:2174-2183"
_GIRASIS_3D = "Girasis C et al., EuroIntervention 2013;8:1451-1460"
_GIRASIS_EYE = "Girasis C et al., Catheter Cardiovasc Interv 2012;79:361"

PUBLISHED: tuple[Published, ...] = (
    Published(
        "mld_mm",
        "ten systems, lumens of 0.5-1.9 mm",
        (0.07, 0.31),
        (0.14, 0.24),
        _KEANE,
    ),
    Published("mld_mm", "bifurcation phantoms, two views", (0.013, 0.013), (0.131, 0.131), _GIRASIS_3D),
    Published("reference_mm", "bifurcation phantoms, two views", (-0.052, -0.052), (0.039, 0.039), _GIRASIS_3D),
    Published("ds_percent", "bifurcation phantoms, two views", (-1.08, -1.08), (5.13, 5.13), _GIRASIS_3D),
    Published("ds_percent", "36 experts by eye, bifurcation phantoms", (2.79, 2.79), (8.69, 8.69), _GIRASIS_EYE),
    Published("lesion_length_mm", "bifurcation phantoms, two views", (0.15, 0.15), (0.26, 0.26), _GIRASIS_3D),
    Published("angle_b_deg", "bifurcation phantoms, two views", (-1.3, -1.3), (5.0, 5.0), _GIRASIS_3D),
)
"""Reference lines."""

PUBLISHED_SLOPE = (0.64, 0.86)
"""Slope of measured on true minimal diameter over ten systems (small lumens read too large), same source."""

PUBLISHED_SLOPE_SOURCE = _KEANE


def published_for(quantity: str) -> tuple[Published, ...]:
    """Give the reference lines of one quantity; lengths with the scale's error taken off have none."""
    return tuple(row for row in PUBLISHED if row.quantity == quantity)
