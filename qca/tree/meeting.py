"""Where three limbs meet, told from the parts of their centrelines that can be trusted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from qca.tree.course import course_of
from qca.tree.quality import UNSEEN
from qca.tube.fitted import JointFit
from qca.tube.limb import Limb
from qca.tube.median import median

Array = npt.NDArray[np.float64]

_FURTHER = 1.5
"""A centreline that is carried on further is told from a stretch this many times as long as the way."""
_USUAL_RADIUS_PX = 8.0
"""Of a proximal limb of 3.2 mm on pixels of 0.2 mm, for which the numbers above hold; finer pixels make them grow."""
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
    courses = [course_of(limb, start, scale) for limb, start in zip(limbs, mouths, strict=True)]
    first = meeting = limbs[0].curve.points[0]
    for _ in range(_ROUNDS):
        normal_matrix, right = 1e-3 * np.eye(2), 1e-3 * first
        for course in courses:
            foot, across = course.beside(meeting)
            normal_matrix += course.weight * np.outer(across, across)
            right = right + course.weight * across * float(across @ foot)
        meeting = np.asarray(np.linalg.solve(normal_matrix, right))
    return np.asarray(meeting)


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
