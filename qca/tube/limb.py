"""One limb while it is being fitted: a base curve, lateral offsets, radii and contrast along it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.curve import Curve
from qca.tube.spline import Spline

Array = npt.NDArray[np.float64]

_NARROWED, _HEALTHY, _LEAST_HEALTHY = 0.7, 0.9, 0.02
"""Parts of a limb's usual radius under which a place counts as narrowed, and over which as healthy; least weight."""
_USUAL = 0.7
"""Quantile of a limb's radii that is usual: lesions do not count."""


@dataclass(frozen=True, slots=True)
class Limb:
    """Base curve, three splines over its arc length and their coefficients.

    Parameters
    ----------
    curve : Curve
        Base curve.
    r_spline, e_spline, g_spline : Spline
        Over its arc length.
    r : ndarray, shape (r_spline.count,)
        Radius, px.
    e : ndarray, shape (e_spline.count,)
        Lateral offset of the centreline from the base curve along its normals, px.
    g : ndarray, shape (g_spline.count,)
        Logarithm of the contrast relative to that of the whole tree.
    overrun, lead : float
        Px at the outer end, and at the start of a single segment, that lie beyond the picks: they steady the fit there
        and are not measured.
    """

    curve: Curve
    r_spline: Spline
    e_spline: Spline
    g_spline: Spline
    r: Array
    e: Array
    g: Array
    overrun: float = 0.0
    lead: float = 0.0

    @property
    def end(self) -> float:
        """Arc length of the pick, px."""
        return self.curve.length - self.overrun

    def radius(self, s: Array) -> Array:
        """Radius at arc lengths ``s``, px."""
        return np.asarray(self.r_spline.values(s, self.r))

    def offset(self, s: Array) -> Array:
        """Lateral offset at arc lengths ``s``, px."""
        return np.asarray(self.e_spline.values(s, self.e))

    def points(self, s: Array) -> Array:
        """Fitted centreline at arc lengths ``s``, shape (M, 2), (row, column)."""
        base, normal = self.curve.at(s)
        return np.asarray(base + self.offset(s)[:, None] * normal)

    def contains(self, pixels: Array) -> npt.NDArray[np.bool_]:
        """Whether points (M, 2) lie inside the limb's lumen."""
        within = np.zeros(len(pixels), dtype=bool)
        # no value of a cubic B-spline is larger than its largest coefficient
        reach = float(self.r.max() + np.abs(self.e).max())
        low, high = self.curve.points.min(0) - reach, self.curve.points.max(0) + reach
        close = np.flatnonzero(((pixels > low) & (pixels < high)).all(1))
        if len(close):
            s, x = self.curve.locate(pixels[close])
            on, behind = s <= self.curve.length, np.minimum(s, 0.0)
            s = np.clip(s, 0, self.curve.length)
            within[close] = on & (np.hypot(x - self.offset(s), behind) < self.radius(s))
        return within


def lay_limb(
    curve: Curve, radius: Array, r_knot: float, e_knot: float, g_knot: float, overrun: float = 0.0, lead: float = 0.0
) -> Limb:
    """Limb with no offsets and even contrast.

    Parameters
    ----------
    curve : Curve
        Base curve of N samples.
    radius : ndarray, shape (N,)
        First radii there, px.
    r_knot, e_knot, g_knot : float
        About the knot distances of radius, offset and contrast, px.
    overrun, lead : float
        As in `Limb`, px.

    Returns
    -------
    Limb
        Radii at least 0.3 px.
    """
    length = curve.length
    r_spline = Spline.over(length, r_knot)
    e_spline = Spline.over(length, e_knot)
    g_spline = Spline.over(length, g_knot)
    r = np.maximum(r_spline.fit(curve.position, radius, 0.5), 0.3)
    return Limb(
        curve, r_spline, e_spline, g_spline, r, np.zeros(e_spline.count), np.zeros(g_spline.count), overrun, lead
    )


def healthy_part(radius: Array) -> Array:
    """How healthy the places of a limb are, (N,), nearly 0 to 1, by their ``radius`` (N,) against the usual one."""
    # the quantile without what the library's own one does for many dimensions
    ranked, rank = np.sort(radius), _USUAL * (len(radius) - 1)
    below, above = ranked[int(rank)], ranked[min(int(rank) + 1, len(radius) - 1)]
    usual = float(below + (above - below) * (rank - int(rank)))
    part = (radius / usual - _NARROWED) / (_HEALTHY - _NARROWED)
    return np.asarray(np.minimum(np.maximum(part, _LEAST_HEALTHY), 1.0))
