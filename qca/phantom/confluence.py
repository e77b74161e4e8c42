"""Where limbs meet: the carina, the limb mouths, the chords between which angles are measured."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from qca.phantom.shapes import Point
from qca.phantom.tube import Tube

Vector = npt.NDArray[np.float64]

CHORD_MM = 5.0
"""Angles are measured between lines from the branching point to the centrelines' points this far away, mm."""

_FINE_MM = 0.005
"""How closely a limb mouth is located, mm."""


def mouth_s(name: str, tubes: Mapping[str, Tube], pick_mm: float) -> float:
    """Arc length of the limb mouth: from here outwards no wall lies inside another limb."""
    others = [tube for other, tube in tubes.items() if other != name]
    low, high, step = 0.0, pick_mm, 0.1
    while True:
        s = np.arange(low, high + step / 2, step)
        walls = np.concatenate(tubes[name].walls(s))
        inside = np.any([tube.contains(walls) for tube in others], axis=0).reshape(2, -1).any(axis=0)
        if not inside.any():
            return low
        last = int(np.flatnonzero(inside)[-1])
        low, high = float(s[last]), float(min(s[last] + step, pick_mm))
        if step <= _FINE_MM:
            return high
        step /= 20


def carina_mm(tubes: Mapping[str, Tube], origin: Point) -> Point:
    """Point of the joined outline between distal and side limb that is nearest to the branching point, mm."""
    ends = {name: chord_point(tubes[name], origin) for name in ("distal", "side")}
    first = math.atan2(ends["distal"][1] - origin[1], ends["distal"][0] - origin[0])
    turn = math.atan2(ends["side"][1] - origin[1], ends["side"][0] - origin[0]) - first
    turn = (turn + math.pi) % (2 * math.pi) - math.pi
    low, high = 0.05, 0.95
    for _ in range(4):
        share = np.linspace(low, high, 25)
        reach = _outline_distance(tubes, origin, first + turn * share)
        nearest = np.flatnonzero(reach <= reach.min() + 1e-9)
        best = int(nearest[nearest.size // 2])
        span = (high - low) / 12
        low, high = float(share[best]) - span, float(share[best]) + span
    direction, distance = first + turn * float(share[best]), float(reach[best])
    return (origin[0] + distance * math.cos(direction), origin[1] + distance * math.sin(direction))


def _outline_distance(tubes: Mapping[str, Tube], origin: Point, direction: Vector) -> Vector:
    """Distance from the branching point to the first exit from the joined lumen, along directions (N,), mm."""
    ray = np.stack((np.cos(direction), np.sin(direction)), axis=-1)
    low, high, count = np.zeros(direction.size), np.full(direction.size, 12.0), 41
    for _ in range(3):
        share = np.linspace(0, 1, count)
        distance = low[:, None] + (high - low)[:, None] * share
        points = np.asarray(origin) + distance[..., None] * ray[:, None, :]
        flat = points.reshape(-1, 2)
        outside = ~np.any([tube.contains(flat) for tube in tubes.values()], axis=0).reshape(distance.shape)
        outside[:, -1] = True
        first = np.maximum(outside.argmax(axis=1), 1)
        row = np.arange(direction.size)
        low, high = distance[row, first - 1], distance[row, first]
    middle: Vector = (low + high) / 2
    return middle


def chord_point(tube: Tube, origin: Point) -> Vector:
    """Return the point of the lumen's middle line 5 mm from the branching point as the crow flies."""
    s = np.arange(0.0, tube.curve.length_mm, 0.001)
    points = tube.middle(s)
    away = np.hypot(points[:, 0] - origin[0], points[:, 1] - origin[1]) >= CHORD_MM
    chosen: Vector = points[int(away.argmax()) if away.any() else -1]
    return chosen
