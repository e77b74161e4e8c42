"""Where three limbs meet, told from the parts of their centrelines that can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tree.quality import UNSEEN
from qca.tube.joint import JointFit
from qca.tube.limb import Limb, healthy_part
from qca.tube.median import median

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
_FURTHER = 1.5
"""A centreline that is carried on further is told from a stretch this many times as long as the way."""
_USUAL_RADIUS_PX = 8.0
"""Of a proximal limb of 3.2 mm on pixels of 0.2 mm, for which the numbers above hold; finer pixels make them grow."""
_BAND = 4
"""Diagonals of a course's precision, the middle one and those under it."""
_ROUNDS = 4
"""Of finding where courses meet, each on their tangents there."""
_LINE_PX = 25.0
"""Stretch of a centreline that shows in which direction it runs."""
_FAINT_PART, _PLAIN_PART = 0.5, 0.75
"""Of a limb's usual radius: under the first the lumen may be a path across the background, over the second it is
seen."""
_FAINT_WITHIN_PX, _UNSEEN_WITHIN_PX = 12, 20
"""A stray path begins within this distance of the mouth; within the second one only where nothing is seen."""
_SEEN = 1.6
"""Signal to noise ratio per root px of length over which a lumen is seen, so that the path along it is no short cut,
however thin."""
_STRAIGHT = float(np.cos(np.radians(12)))
"""A limb that turns by less than 12 degrees between its visible part and the branching point runs on as vessels do."""


def meeting_point(limbs: Sequence[Limb], mouths: Sequence[float]) -> Array:
    """Where the centrelines, carried on, come nearest to meeting.

    Parameters
    ----------
    limbs : sequence of Limb
        Limbs from about the branching point outwards.
    mouths : sequence of float
        Arc length of each limb's mouth, px.

    Returns
    -------
    ndarray, shape (2,)
        (row, column), px.
    """
    widest = max(median(limb.radius(limb.curve.position)) for limb in limbs)
    scale = max(widest / _USUAL_RADIUS_PX, 1.0)
    courses = [_course(limb, start, scale) for limb, start in zip(limbs, mouths, strict=True)]
    first = meeting = limbs[0].curve.points[0]
    for _ in range(_ROUNDS):
        normal_matrix, right = 1e-3 * np.eye(2), 1e-3 * first
        for course in courses:
            foot, across = course.beside(meeting)
            normal_matrix += course.weight * np.outer(across, across)
            right = right + course.weight * across * float(across @ foot)
        meeting = np.asarray(np.linalg.solve(normal_matrix, right))
    return np.asarray(meeting)


class _Course(NamedTuple):
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


def _course(limb: Limb, start: float, scale: float) -> _Course:
    """Course of a limb from the mouth ``start`` on, and before it.

    ``scale`` is how much finer than usual the pixels are. A lesion may draw the lumen's middle aside: what is narrow
    counts little, and the stretch is the longer for it.
    """
    s = np.arange(start, limb.curve.length, 1.0)
    if len(s) < _FEWEST:
        s = np.linspace(max(limb.curve.length - 6, 0.0), limb.curve.length, _FEWEST + 1)
    radius, points = limb.radius(s), limb.points(s)
    weight = healthy_part(radius)
    within = np.cumsum(weight) <= _HEALTHY_PX * scale
    within[:_FEWEST] = True
    return _carried_on(points[within], weight[within], 1.5 * start + 10 * scale, scale)


def _carried_on(points: Array, weight: Array, before: float, scale: float) -> _Course:
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
    return _Course(middle, along, nodes, found, np.gradient(found, step), float(weight.sum()))


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


def trusted_from(fit: JointFit, i: int, first: float) -> float:
    """Arc length, px, from which a limb's centreline shows where the limb comes from.

    Its mouth ``first``; but where hardly any lumen was found from there on, and the visible part points elsewhere, the
    path took a short cut to the other limbs across the background, as it does where a lesion at the mouth hardly shows.

    Parameters
    ----------
    fit : JointFit
        A fit, rough or not.
    i : int
        Which limb.
    first : float
        Arc length of its mouth, px.

    Returns
    -------
    float
        ``first``, or where the visible part begins.
    """
    limb = fit.limbs[i]
    s = np.arange(first, limb.curve.length, 1.0)
    radius = limb.radius(s)
    typical = median(radius)
    near = float(radius[:_FAINT_WITHIN_PX].min()) <= _FAINT_PART * typical
    further = float(radius[:_UNSEEN_WITHIN_PX].min()) <= _PLAIN_PART * typical
    if not near and not (further and _strength(fit, i, first, first + _UNSEEN_WITHIN_PX) < UNSEEN):
        return first
    thin = np.flatnonzero(radius[: 2 * len(s) // 3] < _PLAIN_PART * typical)
    seen = int(thin.max(initial=0)) + 1
    if _strength(fit, i, first, float(s[seen])) > _SEEN:
        return first
    points = limb.points(s[seen : seen + _stretch(float(s[seen]))])
    if len(points) < 6:
        return first
    direction = np.linalg.svd(points - points.mean(0))[2][0]
    back = points[0] - limb.points(np.zeros(1))[0]
    turn = abs(float(direction @ back)) / max(float(np.linalg.norm(back)), 1e-9)
    return first if turn > _STRAIGHT else float(s[seen])


def _strength(fit: JointFit, i: int, start: float, stop: float) -> float:
    """Signal to noise ratio of a limb between two arc lengths, px, per root px of length."""
    near = fit.near[i]
    there = near.pixel[(near.s >= start) & (near.s < stop)]
    depth = fit.background[there] - fit.model[there]
    return float(np.sqrt((depth**2 / fit.variance[there]).sum() / (stop - start)))


def _stretch(start: float) -> int:
    """How much of a centreline, px, says where it points: the further it has to be extended, the more."""
    return int(max(_LINE_PX, _FURTHER * start))


def near_traced(fit: JointFit, meeting: Array, traced: Array, widths: float = 1.0) -> Array:
    """Meeting point no further from a traced point than the widest limb is wide, ``widths`` times.

    Straight lines along daughters that bend or part at a narrow angle may cross anywhere; the paths were seen.

    Parameters
    ----------
    fit : JointFit
        For the limbs' widths.
    meeting, traced : ndarray, shape (2,)
        Where straight lines meet, and where the traced paths do or pass by, (row, column), px.
    widths : float
        How many widths.

    Returns
    -------
    ndarray, shape (2,)
        (row, column), px.
    """
    away = meeting - traced
    most = 2 * widths * max(median(limb.radius(limb.curve.position)) for limb in fit.limbs)
    return np.asarray(traced + away * min(1.0, most / max(float(np.linalg.norm(away)), 1e-9)))


def on_traced(fit: JointFit, meeting: Array, paths: Array) -> Array:
    """Meeting point that lies in a lumen that was seen: within half the widest limb's width of a traced path.

    Parameters
    ----------
    fit : JointFit
        For the limbs' widths.
    meeting : ndarray, shape (2,)
        Where straight lines meet, (row, column), px.
    paths : ndarray, shape (N, 2)
        Points of all traced paths.

    Returns
    -------
    ndarray, shape (2,)
        (row, column), px.
    """
    nearest = paths[np.argmin(np.linalg.norm(paths - meeting, axis=1))]
    return near_traced(fit, meeting, nearest, 0.5)
