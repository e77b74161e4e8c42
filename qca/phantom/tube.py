"""A tube of contrast: width and lateral shift along a curve, and how deep it is at any point of the image."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.phantom.curve import Curve, Foot
from qca.phantom.shapes import Lesion, Limb, Point, Vessel

Vector = npt.NDArray[np.float64]

_THREAD_MM = 0.1
"""Diameter to which a running-off vessel thins."""


def _smooth_step(u: Vector) -> Vector:
    u = np.clip(u, 0.0, 1.0)
    return u * u * (3 - 2 * u)


def narrowing(lesion: Lesion, s_mm: Vector) -> Vector:
    """Part of the diameter that a lesion takes away, 0 to ds/100, at arc lengths ``s_mm``.

    The narrowest point of cosine and plateau lies at ``centre_mm``; of skewed, a quarter of the length before it.
    """
    u = (np.asarray(s_mm, dtype=np.float64) - lesion.centre_mm) / (lesion.length_mm / 2)
    if lesion.shape == "plateau":
        depth = _smooth_step(2 * (1 - np.abs(u)))
    else:
        if lesion.shape == "skewed":
            # piecewise stretch: the peak moves from u = 0 to u = -1/2
            u = np.where(u < -0.5, (u + 0.5) * 2, (u + 0.5) / 1.5)
        depth = np.where(np.abs(u) < 1, 0.5 * (1 + np.cos(math.pi * np.clip(u, -1, 1))), 0.0)
    return lesion.ds_percent / 100 * depth


def reference_diameter(limb: Limb, s_mm: Vector) -> Vector:
    """Lesion-free taper of a limb, mm: no lesion, no step in the confluence, no run-off."""
    return limb.diameter_mm + limb.taper_mm_per_mm * np.asarray(s_mm, dtype=np.float64)


def true_diameter(limb: Limb, s_mm: Vector) -> Vector:
    """Width of a limb's lumen perpendicular to its centreline, mm, lesions, step and run-off included."""
    s = np.asarray(s_mm, dtype=np.float64)
    healthy = reference_diameter(limb, s)
    if limb.step_mm:
        healthy = healthy + limb.step_mm * (
            1 - _smooth_step((s - limb.step_from_mm) / max(limb.step_to_mm - limb.step_from_mm, 1e-9))
        )
    diameter = healthy
    for lesion in limb.lesions:
        diameter = diameter * (1 - narrowing(lesion, s))
    if limb.run_off_mm > 0:
        left = _smooth_step((limb.path.length_mm - s) / limb.run_off_mm)
        diameter = _THREAD_MM + (diameter - _THREAD_MM) * left
    return np.maximum(diameter, 0.0)


def lumen_shift(limb: Limb, s_mm: Vector) -> Vector:
    """Shift of the lumen's middle along the normal, mm, that eccentric lesions cause."""
    s = np.asarray(s_mm, dtype=np.float64)
    shift = np.zeros_like(s)
    for lesion in limb.lesions:
        if lesion.eccentricity:
            shift = shift + lesion.eccentricity * narrowing(lesion, s) * reference_diameter(limb, s) / 2
    return shift


@dataclass(frozen=True, slots=True)
class Tube:
    """A tube around a curve.

    Perpendicular to the curve at arc length s the lumen is an ellipse: width ``2 radius(s)`` in the image around
    ``shift(s)``, depth ``depth_ratio`` times that along the beam. The ends are rounded.
    """

    curve: Curve
    radius: Callable[[Vector], Vector]
    shift: Callable[[Vector], Vector] | None = None
    depth_ratio: float = 1.0

    def half_depth_squared(self, s_mm: Vector, d_mm: Vector) -> Vector:
        """Square of the half chord at unclamped arc length and signed distance; 0 outside. Shapes broadcast."""
        inside = np.clip(s_mm, 0.0, self.curve.length_mm)
        across = d_mm if self.shift is None else d_mm - self.shift(inside)
        square = self.radius(inside) ** 2 - across**2 - (s_mm - inside) ** 2
        return np.maximum(square, 0.0) * self.depth_ratio**2

    def contains(self, points_mm: Vector) -> npt.NDArray[np.bool_]:
        """Whether points (N, 2) lie inside the tube's silhouette."""
        foot = self.curve.foot(points_mm)
        inside: npt.NDArray[np.bool_] = self.half_depth_squared(foot.s_mm, foot.d_mm) > 0
        return inside

    def middle(self, s_mm: Vector) -> Vector:
        """Middle of the lumen at arc lengths (N,), shape (N, 2), mm: the curve moved by the shift."""
        s = np.asarray(s_mm, dtype=np.float64)
        middle: Vector = self.curve.point(s)
        if self.shift is not None:
            middle = middle + self.curve.normal(s) * self.shift(s)[:, None]
        return middle

    def walls(self, s_mm: Vector) -> tuple[Vector, Vector]:
        """Wall points at arc lengths (N,): on the side of the normal (-sin, cos), and opposite; each (N, 2), mm."""
        s = np.asarray(s_mm, dtype=np.float64)
        centre, normal = self.curve.point(s), self.curve.normal(s)
        shift = np.zeros_like(s) if self.shift is None else self.shift(s)
        radius = self.radius(s)
        return centre + normal * (shift + radius)[:, None], centre + normal * (shift - radius)[:, None]


def limb_tube(limb: Limb, start_mm: Point) -> Tube:
    """Return the tube of a limb that starts at ``start_mm``."""
    shifted = any(lesion.eccentricity for lesion in limb.lesions)
    return Tube(
        Curve(limb.path, start_mm),
        lambda s: true_diameter(limb, s) / 2,
        (lambda s: lumen_shift(limb, s)) if shifted else None,
        limb.depth_ratio,
    )


def vessel_tube(vessel: Vessel) -> Tube:
    """Return the tube of a further vessel, tapering evenly."""
    slope = (vessel.end_diameter_mm - vessel.diameter_mm) / vessel.path.length_mm
    return Tube(Curve(vessel.path, vessel.start_mm), lambda s: (vessel.diameter_mm + slope * s) / 2)


def subpixel_feet(foot: Foot, along_x: Vector, along_y: Vector) -> tuple[Vector, Vector]:
    """Arc length and distance at points displaced from those of ``foot``.

    Parameters
    ----------
    foot : Foot
        N feet.
    along_x, along_y : ndarray, shape (M,)
        Displacements, mm, within a pixel.

    Returns
    -------
    tuple of ndarray, each shape (N, M)
        Second order in the displacement: the remainder is curvature squared times displacement cubed, below 1e-5 mm.
    """
    tangential = foot.tangent_x[:, None] * along_x + foot.tangent_y[:, None] * along_y
    normal = -foot.tangent_y[:, None] * along_x + foot.tangent_x[:, None] * along_y
    stretch = np.maximum(1 - foot.curvature * foot.d_mm, 0.2)[:, None]
    bend = (foot.curvature[:, None] / stretch) * tangential
    return (
        foot.s_mm[:, None] + tangential / stretch + bend * normal / stretch,
        foot.d_mm[:, None] + normal - bend * tangential / 2,
    )
