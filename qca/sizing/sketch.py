"""The bifurcation as plane geometry on millimetres: axes, walls, carina. What the drawings are made of.

The branching point is the origin, x points to the right and y down. The proximal main vessel comes from the left; the
distal main vessel leaves upwards, the side branch downwards, under the measured angles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from qca.sizing.measured import MeasuredBifurcation

Point = tuple[float, float]

_FALLBACK_ANGLES = {"A": 140.0, "C": 155.0}
"""Used to draw something where an angle was not measured; the drawing then says so."""

_FALLBACK_DIAMETER = 2.5
_SMALLEST_DRAWN_DEG = 20.0
"""Daughters are drawn at least this far apart, so that they do not cover each other."""


@dataclass(frozen=True, slots=True)
class Limb:
    """One limb as a straight tube.

    Parameters
    ----------
    direction : (float, float)
        Unit vector outwards.
    normal : (float, float)
        Unit vector to the wall on the side branch's side (for the side branch: away from the distal main vessel).
    start : float
        Distance from the branching point at which position 0 (the carina) lies; negative for the proximal limb.
    radius : float
        Half the reference diameter, mm.
    """

    direction: Point
    normal: Point
    start: float
    radius: float

    def at(self, position: float, across: float) -> Point:
        """Give the point at a position from the carina outwards, ``across`` mm from the axis towards the normal."""
        along = self.start + position
        return (
            along * self.direction[0] + across * self.normal[0],
            along * self.direction[1] + across * self.normal[1],
        )


@dataclass(frozen=True, slots=True)
class Sketch:
    """Three straight limbs and what lies between them.

    Parameters
    ----------
    limbs : mapping
        Limb name to tube.
    carina : (float, float)
        Where the daughters' inner walls meet.
    side_shoulder, distal_shoulder : (float, float)
        Where the proximal walls turn into the daughters' outer walls.
    complete : bool
        False when an angle or a reference was not measured and the drawing shows a stand-in.
    """

    limbs: Mapping[str, Limb]
    carina: Point
    side_shoulder: Point
    distal_shoulder: Point
    complete: bool

    def mouth(self, limb: str, sign: int, inset: float = 0.0) -> Point:
        """Give the point where a daughter's wall begins: opposite the carina on its axis."""
        tube = self.limbs[limb]
        return tube.at(0.0, sign * (tube.radius - inset))

    def shoulder_position(self, limb: str) -> float:
        """Give the position, along a daughter, of its outer wall's shoulder; negative: before the carina."""
        tube = self.limbs[limb]
        point = self.side_shoulder if limb == "side" else self.distal_shoulder
        return point[0] * tube.direction[0] + point[1] * tube.direction[1] - tube.start


def sketch(measured: MeasuredBifurcation) -> Sketch:
    """Lay out a measured bifurcation in the plane."""
    values = {name: measured.angles_deg[name][0] for name in _FALLBACK_ANGLES}
    diameters = {name: limb.reference.value for name, limb in measured.limbs.items()}
    complete = all(map(math.isfinite, (*values.values(), *diameters.values())))
    a, c = (math.radians(value if math.isfinite(value) else _FALLBACK_ANGLES[name]) for name, value in values.items())
    least = math.radians(_SMALLEST_DRAWN_DEG)
    if 2 * math.pi - a - c < least:
        share = (2 * math.pi - least) / (a + c)
        a, c = a * share, c * share
    radius = {name: (value if value > 0 else _FALLBACK_DIAMETER) / 2.0 for name, value in diameters.items()}
    side, distal = (-math.cos(a), math.sin(a)), (-math.cos(c), -math.sin(c))
    between = max(least, 2 * math.pi - a - c)
    sine, cosine = math.sin(min(between, math.pi - least)), math.cos(min(between, math.pi - least))
    start_distal = (radius["side"] + radius["distal"] * cosine) / sine
    start_side = (radius["distal"] + radius["side"] * cosine) / sine
    # The normal of the distal limb points to the side branch, that of the side branch away from the distal limb.
    tubes = {
        "distal": Limb(distal, (-distal[1], distal[0]), max(0.0, start_distal), radius["distal"]),
        "side": Limb(side, (-side[1], side[0]), max(0.0, start_side), radius["side"]),
    }
    carina = tubes["distal"].at(0.0, radius["distal"])
    proximal = Limb((-1.0, 0.0), (0.0, 1.0), -carina[0], radius["proximal"])
    tubes["proximal"] = proximal
    return Sketch(
        tubes,
        carina,
        _shoulder(proximal, 1, tubes["side"], 1, carina[0]),
        _shoulder(proximal, -1, tubes["distal"], -1, carina[0]),
        complete,
    )


def _shoulder(proximal: Limb, sign: int, daughter: Limb, outer: int, latest: float) -> Point:
    """Cross the proximal wall with a daughter's outer wall; kept between one radius before and the carina's plane."""
    height = sign * proximal.radius
    first = daughter.at(0.0, outer * daughter.radius)
    dx, dy = daughter.direction
    earliest = -proximal.radius
    x = first[0] + (height - first[1]) * dx / dy if abs(dy) > 1e-6 else 0.0
    return (min(max(x, earliest), latest, proximal.radius), height)
