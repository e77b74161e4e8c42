"""Bifurcation angles between chords from the branching point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.reading import Angles
from qca.tube.fitted import JointFit
from qca.tube.limb import Limb, healthy_part
from qca.tube.median import median

Array = npt.NDArray[np.float64]

_JOIN_PART = 0.08
_BEND_PART = 0.05
"""Model error of a centreline at the branching point, where it lies hidden in the confluence: as a part of the widest
limb's radius, and times the square of its hidden length in such radii, for it may bend there. Own phantoms would
do with two thirds of it; bifurcations drawn by others, whose daughters leave the image's plane, would need more."""
_PAIRS = ((0, 2), (1, 2), (0, 1))
"""Limbs, in the order proximal, distal, side, between which the angles A, B and C lie."""


def bifurcation_angles(joint: JointFit, chord_px: float, mouths: Sequence[float]) -> tuple[Angles, tuple[str, ...]]:
    """Angles between the chords of three limbs, with SD.

    The SD follows by first-order propagation of the limbs' offsets and the branching point.

    Parameters
    ----------
    joint : JointFit
        Fit of the proximal, distal and side limb.
    chord_px : float
        Straight distance from the branching point to the chords' ends, px.
    mouths : sequence of float
        Arc length of each limb's mouth, px.

    Returns
    -------
    angles : Angles
        Degrees.
    codes : tuple of str
        Flags: a limb ended before its chord, or the limbs stand in no order that three limbs can have.
    """
    rays = [_ray(joint, i, chord_px) for i in range(len(joint.limbs))]
    join = _join(joint, mouths)
    angles: list[float] = []
    sds: list[float] = []
    for a, b in _PAIRS:
        angles.append(angle_between(rays[a].vector, rays[b].vector))
        gradient = rays[a].gradient - rays[b].gradient
        turn = rays[a].turn - rays[b].turn
        variance = max(float(gradient @ joint.covariance @ gradient), 0.0) + float(turn @ join @ turn)
        sds.append(float(np.degrees(np.sqrt(variance))))
    codes = [] if all(ray.reached for ray in rays) else ["chord_short"]
    # limbs in their usual order around the branching point, the main vessel bent to either side
    if abs(sum(angles) - 360) > 1 and abs(angles[0] + angles[1] - angles[2]) > 1:
        codes.append("limbs_out_of_order")
    return Angles(*angles, *sds), tuple(codes)


@dataclass(frozen=True, slots=True)
class _Ray:
    """Chord of one limb.

    ``vector`` (2,), px; ``turn`` (2,) the change of its direction per px that its end moves, rad/px, and ``gradient``
    (Q,) the same by the fit's parameters; ``reached`` is False when the limb ended first.
    """

    vector: Array
    turn: Array
    gradient: Array
    reached: bool


def _ray(joint: JointFit, i: int, chord_px: float) -> _Ray:
    limb = joint.limbs[i]
    points = limb.points(limb.curve.position)
    end, index, reached = point_at_distance(points, joint.branching_point, chord_px)
    vector = end - joint.branching_point
    length = float(np.linalg.norm(vector))
    turn = np.array([-vector[1], vector[0]]) / length**2
    gradient = np.zeros(len(joint.covariance))
    sample = min(index, len(points) - 1)
    cell, basis = limb.e_spline.basis(np.array([limb.curve.position[sample]]))
    start = joint.layout.e[i].start + int(cell[0])
    gradient[start : start + 4] = basis[0] * float(turn @ limb.curve.normal[sample])
    gradient[joint.layout.meeting] -= turn
    return _Ray(vector, turn, gradient, reached)


def _join(joint: JointFit, mouths: Sequence[float]) -> Array:
    """Covariance (2, 2), px^2, of the branching point by what is not known of the hidden centrelines.

    Each tells where it runs across its own direction; two that are nearly parallel leave the place along them open.
    """
    known = np.zeros((2, 2))
    widest = max(median(limb.radius(limb.curve.position)) for limb in joint.limbs)
    for limb, mouth in zip(joint.limbs, mouths, strict=True):
        across = limb.curve.normal[min(round(mouth / limb.curve.step), len(limb.curve.normal) - 1)]
        hidden = _hidden(limb, mouth, widest)
        sd = widest * float(np.hypot(_JOIN_PART, _BEND_PART * (hidden / widest) ** 2))
        known += np.outer(across, across) / sd**2
    return np.asarray(np.linalg.inv(known + 1e-6 * np.eye(2)))


def _hidden(limb: Limb, mouth: float, told: float) -> float:
    """Arc length before which a limb's centreline does not show, px: its mouth's, and that of a lesion there.

    A lesion draws the lumen's middle aside. It ends where so much of the limb is healthy as is ``told``, px.
    """
    s = np.arange(mouth, limb.curve.length, 1.0)
    healthy = np.cumsum(healthy_part(limb.radius(s))) if len(s) else np.zeros(1)
    return mouth + max(float(np.searchsorted(healthy, told)) - told, 0.0)


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
    """Angle between two plane vectors.

    Parameters
    ----------
    first, second : ndarray, shape (2,)
        Not zero.

    Returns
    -------
    float
        Degrees, 0 to 180.
    """
    cross = first[0] * second[1] - first[1] * second[0]
    return float(np.degrees(np.arctan2(abs(cross), float(first @ second))))
