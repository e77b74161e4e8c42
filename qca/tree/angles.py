"""Bifurcation angles between chords from the branching point."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def point_at_distance(points: Array, origin: Array, distance: float) -> tuple[Array, int, bool]:
    """First point of a polyline at a straight distance from ``origin``.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        Polyline going outwards.
    origin : ndarray, shape (2,)
        Where the distance is measured from.
    distance : float
        px.

    Returns
    -------
    point : ndarray, shape (2,)
        The point; the polyline's end when it never gets that far.
    index : int
        Sample at or before it.
    reached : bool
        False when the end was used.
    """
    away = np.linalg.norm(points - origin, axis=1)
    beyond = np.flatnonzero(away >= distance)
    if len(beyond) == 0:
        return points[-1], len(points) - 1, False
    k = int(beyond[0])
    if k == 0:
        return points[0], 0, True
    t = (distance - away[k - 1]) / max(away[k] - away[k - 1], 1e-12)
    return points[k - 1] + t * (points[k] - points[k - 1]), k, True


def angle_between(first: Array, second: Array) -> float:
    """Angle between two plane vectors, degrees, 0 to 180."""
    cross = first[0] * second[1] - first[1] * second[0]
    return float(np.degrees(np.arctan2(abs(cross), float(first @ second))))
