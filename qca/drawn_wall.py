"""A wall drawn by hand: the points of a drawing beside a limb, and the wall that runs through them.

Hands draw in the picture, and walls are distances along the normals of a limb's centreline. So every drawn point is
looked for along the limb; between them the wall follows a monotone curve, and on either side it returns to the fitted
wall. How sure a hand is stands here too.

Axes: N positions along a limb.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.errors import PicksError
from qca.picks import Edit

Array = npt.NDArray[np.float64]

HAND_EDGE_SD_PX = 0.7
"""SD of a wall drawn by hand, px: what a steady hand and the choice of grey level leave open; own choice."""

HAND_EDGE_REACH_PX = 10.0
"""Length over which the error of a hand-drawn wall stays the same, px; own choice."""

BLEND_PX = 8.0
"""Length beyond either end of a drawn stretch over which the wall returns to the fitted one, px; own choice."""

FARTHEST_RADII = 4.0
"""A drawn point farther from the centreline than this many radii belongs to something else; own choice."""


class DrawnWall(NamedTuple):
    """Where a wall goes when a hand has drawn it.

    ``shift`` (N,) is how far it moves along the normal, px, and ``weight`` (N,) how much of it is the hand's, 0 to 1.
    """

    shift: Array
    weight: Array


def drawn_wall(
    edit: Edit,
    wall: Array,
    position: Array,
    points: Array,
    normal: Array,
    diameter: Array,
    *,
    origin: Array,
    aspect: float,
    apart: float,
) -> DrawnWall:
    """Lay a wall through the points that were drawn.

    It runs in between along a monotone curve, and returns to the wall before over ``BLEND_PX`` on either side.

    Parameters
    ----------
    edit : Edit
        Its points, (x, y) of stored pixels.
    wall : ndarray, shape (N,)
        The wall before, px along the normal.
    position, diameter : ndarray, shape (N,)
        Along the limb, px.
    points, normal : ndarray, shape (N, 2)
        Centreline and unit vectors to the right wall, (row, column) in square pixels.
    origin : ndarray, shape (2,)
        (row, column) of the points' origin in the frame of square pixels.
    aspect : float
        Row pitch divided by column pitch of the stored pixels.
    apart : float
        Drawn points closer together than this along the limb, px, count as one.

    Returns
    -------
    DrawnWall
        Zero where the limb lies more than ``BLEND_PX`` beyond the outermost points.

    Raises
    ------
    PicksError
        If no drawn point lies beside the limb.
    """
    from scipy.interpolate import PchipInterpolator

    found = [_locate(np.array([y * aspect, x]) - origin, points, normal, position, diameter) for x, y in edit.points]
    along = sorted(place for place in found if place is not None)
    if not along:
        msg = (
            f"the wall drawn by hand lies beside no part of the {edit.limb} limb as it is measured now: "
            "move the limb's pick back, or remove the edit"
        )
        raise PicksError(msg, limb=edit.limb)
    s, x = _merged(along, apart)
    inside = (position >= s[0]) & (position <= s[-1])
    shift = np.zeros_like(position)
    shift[inside] = (PchipInterpolator(s, x)(position[inside]) if len(s) > 1 else x[0]) - wall[inside]
    ends = [float(x[k] - np.interp(s[k], position, wall)) for k in (0, -1)]
    away = np.maximum(s[0] - position, position - s[-1]).clip(0.0)
    weight = np.where(away < BLEND_PX, 0.5 * (1 + np.cos(np.pi * away / BLEND_PX)), 0.0)
    before, after = ~inside & (position < s[0]), ~inside & (position > s[-1])
    shift[before] = ends[0] * weight[before]
    shift[after] = ends[1] * weight[after]
    return DrawnWall(shift, weight)


def hand_covariance(position: Array) -> Array:
    """Covariance of a wall that is the hand's alone, shape (N, N), px^2, at positions (N,), px."""
    return np.asarray(HAND_EDGE_SD_PX**2 * np.exp(-np.abs(position[:, None] - position) / HAND_EDGE_REACH_PX))


def _locate(point: Array, points: Array, normal: Array, position: Array, diameter: Array) -> tuple[float, float] | None:
    """Position along the limb and signed distance along its normal of a point (row, column); None beside nothing."""
    tangent = np.gradient(points, axis=0)
    away = point - points
    along = (away * tangent).sum(1)
    across = (away * normal).sum(1)
    crossing = np.flatnonzero((along[:-1] >= 0) & (along[1:] < 0))
    best: tuple[float, float] | None = None
    for k in crossing:
        share = along[k] / (along[k] - along[k + 1])
        x = float(across[k] + share * (across[k + 1] - across[k]))
        near = abs(x) <= FARTHEST_RADII * max(float(diameter[k]) / 2, 1.0)
        if near and (best is None or abs(x) < abs(best[1])):
            best = (float(position[k] + share * (position[k + 1] - position[k])), x)
    return best


def _merged(along: list[tuple[float, float]], apart: float) -> tuple[Array, Array]:
    """Positions and distances with points closer together than ``apart`` averaged, so that positions rise."""
    groups: list[list[tuple[float, float]]] = []
    for place in along:
        if groups and place[0] - groups[-1][0][0] < apart:
            groups[-1].append(place)
        else:
            groups.append([place])
    means = np.array([np.mean(group, axis=0) for group in groups])
    return means[:, 0], means[:, 1]
