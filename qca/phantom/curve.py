"""A plane curve given by its direction, and the foot of a perpendicular on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.phantom.shapes import Path, Point

Vector = npt.NDArray[np.float64]

_STEP_MM = 0.05
"""Spacing of the nodes between which positions are series; the remainder is below 1e-7 mm."""

_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True, slots=True)
class Foot:
    """Feet of N points on a curve: arc length, signed distance (left-hand normal (-sin, cos)), tangent, curvature.

    Before the start and after the end the curve goes on along its tangent, so ``s_mm`` can leave 0..length.
    """

    s_mm: Vector
    d_mm: Vector
    tangent_x: Vector
    tangent_y: Vector
    curvature: Vector

    def only(self, chosen: npt.NDArray[np.bool_]) -> Foot:
        """Return the chosen feet; ``chosen`` has shape (N,)."""
        return Foot(
            self.s_mm[chosen],
            self.d_mm[chosen],
            self.tangent_x[chosen],
            self.tangent_y[chosen],
            self.curvature[chosen],
        )


class Curve:
    """The curve of a `Path` that starts at a point; immutable.

    Parameters
    ----------
    path : Path
        Direction as a function of arc length.
    start_mm : (x, y)
        Where it starts, mm.
    """

    __slots__ = ("_nodes_s", "_nodes_x", "_nodes_y", "length_mm", "path")

    def __init__(self, path: Path, start_mm: Point) -> None:
        self.path = path
        self.length_mm = path.length_mm
        count = max(2, math.ceil(path.length_mm / _STEP_MM) + 1)
        self._nodes_s = np.linspace(0.0, path.length_mm, count)
        step = path.length_mm / (count - 1)
        inner = self._nodes_s[:-1, None] + (_GAUSS_NODES + 1) * step / 2
        angle = self.angle(inner)
        pieces_x = (np.cos(angle) * _GAUSS_WEIGHTS).sum(axis=1) * step / 2
        pieces_y = (np.sin(angle) * _GAUSS_WEIGHTS).sum(axis=1) * step / 2
        self._nodes_x = start_mm[0] + np.concatenate(([0.0], np.cumsum(pieces_x)))
        self._nodes_y = start_mm[1] + np.concatenate(([0.0], np.cumsum(pieces_y)))

    def angle(self, s_mm: Vector) -> Vector:
        """Direction at arc length, radians; constant beyond the ends."""
        path = self.path
        s = np.clip(s_mm, 0.0, path.length_mm)
        phase = math.radians(path.wave_phase_deg)
        wave = np.sin(2 * math.pi / path.wave_length_mm * s + phase) - math.sin(phase)
        angle: Vector = math.radians(path.direction_deg) + path.curvature_per_mm * s
        angle = angle + math.radians(path.wave_deg) * wave
        if path.bend_deg:
            angle = angle + math.radians(path.bend_deg) / 2 * (np.tanh((s - path.bend_at_mm) / path.bend_width_mm) + 1)
        return angle

    def curvature(self, s_mm: Vector) -> Vector:
        """Change of direction per mm; zero beyond the ends."""
        path = self.path
        rate = 2 * math.pi / path.wave_length_mm
        wave = math.radians(path.wave_deg) * rate * np.cos(rate * s_mm + math.radians(path.wave_phase_deg))
        if path.bend_deg:
            steep = 1 - np.tanh((s_mm - path.bend_at_mm) / path.bend_width_mm) ** 2
            wave = wave + math.radians(path.bend_deg) / (2 * path.bend_width_mm) * steep
        inside = (s_mm >= 0) & (s_mm <= path.length_mm)
        return np.where(inside, path.curvature_per_mm + wave, 0.0)

    def point(self, s_mm: Vector | float) -> Vector:
        """Positions (x, y), mm; shape (..., 2)."""
        s = np.asarray(s_mm, dtype=np.float64)
        step = self._nodes_s[1]
        inside = np.clip(s, 0.0, self.length_mm)
        node = np.clip(np.rint(inside / step), 0, self._nodes_s.size - 1).astype(np.intp)
        u = inside - self._nodes_s[node]
        angle = self.angle(self._nodes_s[node])
        bend = self.curvature(self._nodes_s[node])
        along = u * (1 - (bend * u) ** 2 / 6)
        across = bend * u**2 / 2
        cos, sin = np.cos(angle), np.sin(angle)
        beyond = s - inside
        end = self.angle(inside)
        x = self._nodes_x[node] + cos * along - sin * across + beyond * np.cos(end)
        y = self._nodes_y[node] + sin * along + cos * across + beyond * np.sin(end)
        return np.stack((x, y), axis=-1)

    def normal(self, s_mm: Vector) -> Vector:
        """Return unit normals (-sin, cos) of the direction; shape (..., 2)."""
        angle = self.angle(np.asarray(s_mm, dtype=np.float64))
        return np.stack((-np.sin(angle), np.cos(angle)), axis=-1)

    def foot(self, points_mm: Vector) -> Foot:
        """Feet of the perpendiculars from points to the nearest part of the curve.

        Parameters
        ----------
        points_mm : ndarray, shape (N, 2)
            Points (x, y), mm.

        Returns
        -------
        Foot
            Exact to 1e-6 mm for points nearer than the radius of curvature.
        """
        from scipy.spatial import cKDTree

        stride = 10
        seeds = np.stack((self._nodes_x[::stride], self._nodes_y[::stride]), axis=-1)
        _, nearest = cKDTree(seeds).query(points_mm)
        s = self._nodes_s[::stride][nearest]
        if s.size and self.length_mm > self._nodes_s[::stride][-1]:
            # the very end is a seed too
            end = self.point(self.length_mm)
            closer = np.hypot(*(points_mm - end).T) < np.hypot(*(points_mm - seeds[nearest]).T)
            s = np.where(closer, self.length_mm, s)
        for _ in range(5):
            delta = points_mm - self.point(s)
            angle = self.angle(s)
            cos, sin = np.cos(angle), np.sin(angle)
            along = delta[:, 0] * cos + delta[:, 1] * sin
            across = -delta[:, 0] * sin + delta[:, 1] * cos
            s = s + along / np.maximum(1 - self.curvature(s) * across, 0.2)
        delta = points_mm - self.point(s)
        angle = self.angle(s)
        cos, sin = np.cos(angle), np.sin(angle)
        return Foot(s, -delta[:, 0] * sin + delta[:, 1] * cos, cos, sin, self.curvature(s))
