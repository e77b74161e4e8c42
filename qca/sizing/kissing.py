"""Two balloons side by side in one vessel: the ring around them.

A ring that is stretched around two touching circles is their convex hull: two arcs and two common tangents.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.units import Mm
from qca.sizing.propagation import propagate

UNCONFIRMED_FACTOR = 2.0 / 3.0
"""Rule of thumb for the vessel that a pair of balloons stands for, 2/3 (D1 + D2); remembered, not confirmed."""


@dataclass(frozen=True, slots=True)
class KissingPair:
    """Ring around two touching balloons.

    Parameters
    ----------
    perimeter : Mm
        Length of the ring.
    area_mm2 : float
        Area inside it.
    perimeter_equivalent : Mm
        Diameter of the circle with the same perimeter: how far a stent around both is stretched.
    area_equivalent : Mm
        Diameter of the circle with the same area.
    long_axis, short_axis : Mm
        Extent along and across the line of the centres.
    two_thirds : Mm
        ``2/3 (D1 + D2)``: a rule of thumb for the target vessel, smaller than every envelope above; unconfirmed.
    """

    perimeter: Mm
    area_mm2: float
    perimeter_equivalent: Mm
    area_equivalent: Mm
    long_axis: Mm
    short_axis: Mm
    two_thirds: Mm

    @property
    def elongation(self) -> float:
        """Long over short axis: 2 for equal balloons."""
        return self.long_axis.value / self.short_axis.value


def kissing_pair(first: Mm, second: Mm) -> KissingPair:
    """Compute the ring around two touching balloons.

    Parameters
    ----------
    first, second : Mm
        Balloon diameters, mm; positive.

    Returns
    -------
    KissingPair
        NaN throughout when a diameter is unknown.

    Raises
    ------
    ValueError
        If a diameter is not positive.

    Notes
    -----
    With ``r1 >= r2``, ``t = 2 sqrt(r1 r2)``, ``phi = asin((r1 - r2)/(r1 + r2))``: perimeter
    ``2 t + r1 (pi + 2 phi) + r2 (pi - 2 phi)``, area ``t (r1 + r2) + r1^2 (pi/2 + phi) + r2^2 (pi/2 - phi)``.
    """
    for name, diameter in (("first", first), ("second", second)):
        if diameter.value <= 0:
            msg = f"{name} must be a positive diameter, not {diameter.value!r}"
            raise ValueError(msg)
    big, small = (first, second) if first.value >= second.value else (second, first)
    r1, r2 = big.value / 2.0, small.value / 2.0
    total = r1 + r2
    tangent = 2.0 * math.sqrt(r1 * r2)
    phi = math.asin((r1 - r2) / total)
    perimeter = 2.0 * tangent + r1 * (math.pi + 2.0 * phi) + r2 * (math.pi - 2.0 * phi)
    area = tangent * total + r1**2 * (math.pi / 2.0 + phi) + r2**2 * (math.pi / 2.0 - phi)
    # phi changes by +-sqrt(r2/r1)/total and sqrt(r1/r2)/total with the radii; a diameter is two radii.
    turn1, turn2 = math.sqrt(r2 / r1) / total, -math.sqrt(r1 / r2) / total
    by_r1 = 2.0 * math.sqrt(r2 / r1) + math.pi + 2.0 * phi + 2.0 * (r1 - r2) * turn1
    by_r2 = 2.0 * math.sqrt(r1 / r2) + math.pi - 2.0 * phi + 2.0 * (r1 - r2) * turn2
    ring = propagate(perimeter, ((by_r1 / 2.0, big), (by_r2 / 2.0, small)))
    area_by_r1 = tangent + total * math.sqrt(r2 / r1) + r1 * (math.pi + 2.0 * phi) + (r1**2 - r2**2) * turn1
    area_by_r2 = tangent + total * math.sqrt(r1 / r2) + r2 * (math.pi - 2.0 * phi) + (r1**2 - r2**2) * turn2
    equal_area = math.sqrt(4.0 * area / math.pi)
    slope = 2.0 / (math.pi * equal_area)
    return KissingPair(
        perimeter=ring,
        area_mm2=area,
        perimeter_equivalent=ring.times(1.0 / math.pi),
        area_equivalent=propagate(equal_area, ((slope * area_by_r1 / 2.0, big), (slope * area_by_r2 / 2.0, small))),
        long_axis=big + small,
        short_axis=big,
        two_thirds=(big + small).times(UNCONFIRMED_FACTOR),
    )
