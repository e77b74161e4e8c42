"""Places along a limb in image coordinates: the cross-section at a position, interpolated between profile points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from qca.reading import Points, Profile

_OVERSHOOT_PX = 1.0
"""A position this far beyond the profile's ends still counts as on the end."""


@dataclass(frozen=True, slots=True)
class CrossSection:
    """One cross-section of a limb, (x, y) in stored pixels.

    Parameters
    ----------
    centre, left, right : (float, float)
        Centreline point and both walls.
    across : (float, float)
        Unit vector from the left wall to the right wall.
    """

    centre: tuple[float, float]
    left: tuple[float, float]
    right: tuple[float, float]
    across: tuple[float, float]


def cross_section(profile: Profile, position_px: float) -> CrossSection | None:
    """Find the cross-section at a position along the limb.

    Parameters
    ----------
    profile : Profile
        The limb's profile; unknown (NaN) points are skipped.
    position_px : float
        Distance from the carina, px.

    Returns
    -------
    CrossSection or None
        None when the position is NaN or outside the profile, or when fewer than two points are known there.
    """
    rows = np.column_stack([profile.position_px, profile.x_px, profile.y_px, profile.left_px, profile.right_px])
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) < 2 or not math.isfinite(position_px):
        return None
    along = rows[:, 0]
    if not along[0] - _OVERSHOOT_PX <= position_px <= along[-1] + _OVERSHOOT_PX:
        return None
    x, y, left_x, left_y, right_x, right_y = (float(np.interp(position_px, along, rows[:, k])) for k in range(1, 7))
    width = math.hypot(right_x - left_x, right_y - left_y)
    if width == 0:
        return None
    across = ((right_x - left_x) / width, (right_y - left_y) / width)
    return CrossSection((x, y), (left_x, left_y), (right_x, right_y), across)


def runs(points: Points) -> list[Points]:
    """Split a line at its unknown points.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        A line; NaN rows are gaps.

    Returns
    -------
    list of ndarray, shape (M, 2)
        Pieces of at least two known points.
    """
    known = np.isfinite(points).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    return [points[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= 2]
