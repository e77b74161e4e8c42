"""The mouth of a side branch: its ellipse, and what a stent that begins there leaves bare or leaves standing.

The wall of the main vessel is taken as a plane that meets the side branch under angle B (distal to side); the side
branch is a circular cylinder. Under an acute angle the mouth's edge at the carina lies deeper along the branch's axis
than the edge away from it, by ``S cot B``; beyond 90 degrees it is the other way round. A main vessel that bends, or
narrows, at the branching changes that length: ``bent_slant_mm`` says how much it is with the three limbs as measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.units import Mm
from qca.sizing.propagation import UNKNOWN

_SMALLEST_ANGLE_DEG = 10.0
"""Below it (and above 180 minus it) the mouth runs along the wall and none of these formulas means anything."""


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse by its full axes, mm."""

    long_axis: float
    short_axis: float

    @property
    def area_mm2(self) -> float:
        """Area."""
        return math.pi / 4.0 * self.long_axis * self.short_axis

    @property
    def eccentricity(self) -> float:
        """0 for a circle."""
        return math.sqrt(max(0.0, 1.0 - (self.short_axis / self.long_axis) ** 2))

    @property
    def area_equivalent(self) -> float:
        """Diameter of the circle with the same area."""
        return math.sqrt(self.long_axis * self.short_axis)

    @property
    def perimeter(self) -> float:
        """Length of the ellipse's line, by the arithmetic-geometric mean (Gauss), exact to rounding."""
        a, b = self.long_axis / 2.0, self.short_axis / 2.0
        if not (math.isfinite(a) and math.isfinite(b)):
            return math.nan
        c_squared, weight, total = a * a - b * b, 0.5, 0.0
        x, y = a, b
        while True:
            total += weight * c_squared
            if abs(x - y) < 1e-15 * x:
                break
            x, y, c_squared = (x + y) / 2.0, math.sqrt(x * y), ((x - y) / 2.0) ** 2
            weight *= 2.0
        return 2.0 * math.pi * (a * a - total) / x


def ostium_sd(side: Mm, angle_deg: float, angle_sd_deg: float) -> tuple[float, float]:
    """Uncertainty of the mouth's ellipse, from the side branch's and the angle's.

    Parameters
    ----------
    side : Mm
        Side branch diameter; its SD is that of the short axis.
    angle_deg, angle_sd_deg : float
        Angle B and its SD.

    Returns
    -------
    (float, float)
        SD of the long axis, mm, and of the area, mm²: first order, ``d ln(1 / sin B) = -cot B dB``.
    """
    ellipse = ostium(side, angle_deg)
    turn = math.radians(angle_sd_deg) / math.tan(math.radians(angle_deg))
    relative = side.sd / side.value
    return ellipse.long_axis * math.hypot(relative, turn), ellipse.area_mm2 * math.hypot(2.0 * relative, turn)


def ostium(side: Mm, angle_deg: float) -> Ellipse:
    """Mouth of a side branch of diameter ``side`` that leaves under angle B.

    Returns
    -------
    Ellipse
        Short axis ``S``, long axis ``S / sin B``; NaN for an unknown diameter or an angle without meaning.
    """
    if not _usable(side, angle_deg):
        return Ellipse(math.nan, math.nan)
    return Ellipse(side.value / math.sin(math.radians(angle_deg)), side.value)


def slant_length(side: Mm, angle_deg: float, angle_sd_deg: float) -> Mm:
    """Length along the side branch by which one edge of its mouth lies deeper than the other, ``S |cot B|``.

    A T stent that does not reach into the main vessel leaves this much of the mouth's far wall bare; a stent that
    covers the mouth completely (T and protrusion) leaves a new carina of this length standing in the main vessel.

    Parameters
    ----------
    side : Mm
        Diameter of the side branch.
    angle_deg, angle_sd_deg : float
        Angle B and its SD.

    Returns
    -------
    Mm
        NaN for an unknown diameter or an angle without meaning. The angle's error is part of ``sd_random``. At
        90 degrees the slope of the absolute value is undefined; there the SD is that of the signed length.
    """
    if not _usable(side, angle_deg):
        return UNKNOWN
    angle = math.radians(angle_deg)
    slope = 1.0 / math.tan(angle)
    by_angle = side.value / math.sin(angle) ** 2 * math.radians(angle_sd_deg)
    return Mm(
        abs(slope) * side.value,
        math.hypot(slope * side.sd_random, by_angle),
        abs(slope) * side.sd_scale,
    )


def bent_slant_mm(proximal: Mm, distal: Mm, side: Mm, angle_a_deg: float, angle_b_deg: float) -> float:
    """Compute the slant length with the main vessel as measured, instead of along one straight wall, mm.

    Parameters
    ----------
    proximal, distal, side : Mm
        Diameters.
    angle_a_deg, angle_b_deg : float
        Angles proximal to side, and distal to side.

    Returns
    -------
    float
        Positive when the edge at the carina lies deeper; NaN for unknown diameters, or where two walls run so nearly
        alike that they do not meet at the branching.

    Notes
    -----
    Three straight limbs in the plane. Along the branch's axis the carina, where the inner walls of the daughters
    cross, lies at ``(d + s cos B) / sin B``; the shoulder, where the branch's outer wall leaves the proximal wall, at
    ``(p + s cos A) / sin A``; ``p``, ``d``, ``s`` are radii. The result is the difference. For a straight main vessel
    of even width (``A = 180 - B``, ``p = d``) it is ``S cot B``.
    """
    if not (_usable(side, angle_b_deg) and _usable(side, angle_a_deg) and proximal.value > 0 and distal.value > 0):
        return math.nan
    a, b = math.radians(angle_a_deg), math.radians(angle_b_deg)
    p, d, s = proximal.value / 2.0, distal.value / 2.0, side.value / 2.0
    return (d + s * math.cos(b)) / math.sin(b) - (p + s * math.cos(a)) / math.sin(a)


def saddle_depth(side: Mm, main: Mm) -> float:
    """Depth by which the mouth's two flanks lie closer to the main vessel's axis than its front and back, mm.

    The main vessel is round, so its wall curves away under the mouth: even at 90 degrees a flat stent edge either
    leaves this much bare on the flanks or stands this much proud at front and back. ``R - sqrt(R^2 - (S/2)^2)``.
    """
    radius, half = main.value / 2.0, side.value / 2.0
    if not (radius > 0 and half > 0) or half > radius:
        return math.nan
    return radius - math.sqrt(radius**2 - half**2)


def _usable(side: Mm, angle_deg: float) -> bool:
    return side.value > 0 and _SMALLEST_ANGLE_DEG <= angle_deg <= 180.0 - _SMALLEST_ANGLE_DEG
