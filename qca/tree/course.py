"""The course of a limb's centreline near its mouth, carried on to where it comes from."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tube.limb import Limb, healthy_part

Array = npt.NDArray[np.float64]

_CURVATURE_SDS = (0.004, 0.012, 0.036)
"""What curvature, 1/px, limbs are believed to have, that which the points speak for: radii of 50 mm, 17 and 6 mm at
0.2 mm per px. Own choice."""
_UNUSUAL = 4.0
"""Log odds against each of them, by the one before; own choice."""
_CURVED_PX, _POSITION_SD_PX = 60.0, 1.0
"""Length over which a curvature is forgotten, and how far points a pixel apart are off their course, a lesion's swerve
among it. Own choice, on simulated bifurcations with limbs that are arcs and, drawn by others, ones that are not."""
_HEALTHY_PX = 80.0
"""Length of healthy centreline beyond the mouth that is looked at."""
_NODE_PX = 3.0
"""Distance of the places where a centreline is reckoned."""
_FEWEST = 6
"""Points through which a course is laid, at least."""
_BAND = 4
"""Diagonals of a course's precision, the middle one and those under it."""


class Course(NamedTuple):
    """A centreline beyond its mouth, carried on to where it comes from.

    ``middle`` (2,) lies on a line along it, whose direction is ``along`` (2,), (row, column); at the places ``x`` (K,)
    of that line the centreline is ``y`` (K,) beside it with the slope ``slope`` (K,), px; ``weight`` is the number of
    healthy points that tell of it.
    """

    middle: Array
    along: Array
    x: Array
    y: Array
    slope: Array
    weight: float

    def beside(self, point: Array) -> tuple[Array, Array]:
        """Point of the course beside another, and the course's normal there, both (2,)."""
        across = _across(self.along)
        x = float(np.clip(self.along @ (point - self.middle), self.x[0], self.x[-1]))
        foot = self.middle + x * self.along + float(np.interp(x, self.x, self.y)) * across
        normal = across - float(np.interp(x, self.x, self.slope)) * self.along
        return foot, normal / np.linalg.norm(normal)


def _across(along: Array) -> Array:
    return np.array([along[1], -along[0]])


def course_of(limb: Limb, start: float, scale: float) -> Course:
    """Course of a limb from its mouth on, and before it.

    A lesion may draw the lumen's middle aside: what is narrow counts little, and the stretch is the longer for it.

    Parameters
    ----------
    limb : Limb
        From about the branching point outwards.
    start : float
        Arc length of its mouth, px.
    scale : float
        How much finer than usual the pixels are.

    Returns
    -------
    Course
        In the limb's coordinates, (row, column), px.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the points do not determine it.
    """
    s = np.arange(start, limb.curve.length, 1.0)
    if len(s) < _FEWEST:
        s = np.linspace(max(limb.curve.length - 6, 0.0), limb.curve.length, _FEWEST + 1)
    radius, points = limb.radius(s), limb.points(s)
    weight = healthy_part(radius)
    within = np.cumsum(weight) <= _HEALTHY_PX * scale
    within[:_FEWEST] = True
    return _carried_on(points[within], weight[within], 1.5 * start + 10 * scale, scale)


def _carried_on(points: Array, weight: Array, before: float, scale: float) -> Course:
    """Likeliest course through points (N, 2) of weights (N,) from 0 to 1, and as far as ``before``, px, before them.

    Regression with a Gaussian process whose second derivative is an Ornstein-Uhlenbeck one (Rasmussen CE, Williams CKI,
    Gaussian Processes for Machine Learning, 2006, appendix B; from memory).
    """
    from scipy.linalg.lapack import dpbtrf, dpbtrs

    near = weight * np.exp(-np.arange(len(points)) / (_CURVED_PX * scale))
    middle = near @ points / near.sum()
    along = np.linalg.svd((points - middle) * np.sqrt(near)[:, None])[2][0]
    if (points[-1] - points[0]) @ along < 0:
        along = -along
    x, y = (points - middle) @ along, (points - middle) @ _across(along)
    step = _NODE_PX * scale
    nodes = np.arange(x.min() - before, x.max() + step, step)
    count = len(nodes)
    part = np.minimum(np.maximum((x - nodes[0]) / step, 0), count - 1 - 1e-9)
    cell = part.astype(int)
    ahead = part - cell
    told = weight / (_POSITION_SD_PX * scale) ** 2

    def gathered(here: Array, next_: Array) -> Array:
        """Sum what points tell of the node before them and of the one after, each (N,): (count,)."""
        return np.asarray(np.bincount(cell, here, count) + np.bincount(cell + 1, next_, count))

    pull = gathered(told * (1 - ahead) * y, told * ahead * y)
    seen = np.zeros((_BAND, count))
    seen[0] = gathered(told * (1 - ahead) ** 2, told * ahead**2)
    seen[1] = np.bincount(cell, told * ahead * (1 - ahead), count)
    smooth = _smoothness(count) * (scale / step**2) ** 2
    most_told = float(told @ y**2)
    found, most = np.zeros(count), -math.inf
    for rank, sd in enumerate(_CURVATURE_SDS):
        factor, failed = dpbtrf(seen + smooth / sd**2, lower=1)
        if failed:
            msg = "a limb's centreline does not tell its course"
            raise np.linalg.LinAlgError(msg)
        course, _ = dpbtrs(factor, pull, lower=1)
        explained = float(pull @ course)
        # logarithm of the evidence, but for what does not depend on the SD
        evidence = 0.5 * explained - float(np.log(factor[0]).sum()) - (count - 2) * math.log(sd)
        evidence -= rank * _UNUSUAL
        if evidence > most:
            found, most = course, evidence
        # a larger SD may explain the rest at best, and loses as much by what it leaves open
        if 0.5 * (most_told - explained) < _UNUSUAL:
            break
    return Course(middle, along, nodes, found, np.gradient(found, step), float(weight.sum()))


def _smoothness(count: int) -> Array:
    """Precision of ``count`` nodes whose second differences are an Ornstein-Uhlenbeck process of variance 1.

    Each second difference less what is kept of the one before it is independent of all others. Diagonals from the
    middle one down, (`_BAND`, count), each from its first column on, as the library takes matrices of few diagonals.
    """
    kept = math.exp(-_NODE_PX / _CURVED_PX)
    news = np.array([-kept, 1 + 2 * kept, -2 - kept, 1.0]) / math.sqrt(1 - kept**2)
    out = np.zeros((_BAND, count))
    out[0, :3], out[1, :2], out[2, 0] = (1.0, 4.0, 1.0), (-2.0, -2.0), 1.0
    for down in range(_BAND):
        for k in range(_BAND - down):
            out[down, k : k + count - 3] += news[k] * news[k + down]
    return out
