"""Limbs laid along traced paths, and laid anew along the centrelines that a fit has found.

A limb is fitted beside a base curve and with knots that stay where they are, so a fit whose limbs have strayed or whose
branching point has moved goes on from limbs on new base curves. Those begin where the limbs meet
(:mod:`qca.tree.meeting`), and what was learned is carried over by distance from the outer end, which stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tree.meeting import meeting_point, near_traced, on_traced, trusted_from
from qca.tree.thread import Thread, thread_along
from qca.tree.trace import FIRST_SMOOTH_PX, REACH_PX, Crop, first_look
from qca.tube.confluence import mouths
from qca.tube.curve import Curve, curve_through
from qca.tube.fitted import JointFit
from qca.tube.limb import Limb, lay_limb
from qca.tube.options import FitOptions
from qca.tube.shared import Shared
from qca.tube.spline import Spline

Array = npt.NDArray[np.float64]

_MOVED_PX = 4.0
"""From this move of the branching point on, limbs laid anew are fitted roughly once more."""
_AGAIN_SMOOTH_PX = 3.0
_LEAST_AHEAD = 5
"""Points, about a pixel apart, that a limb needs beyond the place where the limbs meet."""
_OVERRUN_PX = 10.0
"""How far a limb is fitted beyond its pick, so that the pick's place is not the fit's end."""


class NoMeeting(np.linalg.LinAlgError):
    """The limbs lie so that there is no place where all meet."""


class Laid(NamedTuple):
    """Limbs laid anew, what is shared, where the ``traced`` paths met, and whether another round is needed.

    It is needed where a limb strayed or the branching point moved. Where a limb strayed, the new meeting point counts
    as traced.
    """

    limbs: list[Limb]
    shared: Shared
    traced: Array
    unsettled: bool


def first_limbs(crop: Crop, paths: Sequence[Array], options: FitOptions) -> tuple[list[Limb], list[Thread | None]]:
    """First limbs along rough paths, and the threads that they may have missed.

    Parameters
    ----------
    crop : Crop
        Image with vessels dark.
    paths : sequence of ndarray, shape (N, 2)
        Three paths from their meeting point outwards, or a single one, (row, column).
    options : FitOptions
        Knots along limbs.

    Returns
    -------
    limbs : list of Limb
        Each carried on beyond its pick, a single one at both ends.
    threads : list of Thread or None
        For each limb; None where it is nowhere faint.
    """
    longer = [_beyond(path, crop) for path in paths]
    lead = 0.0
    if len(paths) == 1:
        turned, lead = _beyond(longer[0][0][::-1], crop)
        longer = [(turned[::-1], longer[0][1])]
    curves = [curve_through(path, FIRST_SMOOTH_PX) for path, _ in longer]
    looks = [first_look(crop.image, c.points, c.normal, REACH_PX) for c in curves]
    radii = [r for r, _ in looks]
    if len(paths) > 1:
        hidden = int(1.3 * np.median(np.concatenate(radii)))
        for r in radii:
            k = min(hidden, len(r) - 3)
            r[:k] = np.median(r[k : k + 10])
    threads = [
        thread_along(crop.image, c.points, c.normal, r, contrast, REACH_PX)
        for c, (r, contrast) in zip(curves, looks, strict=True)
    ]
    limbs = [_lay(c, r, options, more, lead) for c, r, (_, more) in zip(curves, radii, longer, strict=True)]
    return limbs, threads


def on_threads(limbs: Sequence[Limb], threads: Sequence[Thread | None], options: FitOptions) -> list[Limb]:
    """Lay first limbs along threads.

    Parameters
    ----------
    limbs : sequence of Limb
        First limbs.
    threads : sequence of Thread or None
        For each limb the thread that it may have missed.
    options : FitOptions
        Knots along limbs.

    Returns
    -------
    list of Limb
        Those without a thread as they were.
    """
    out = []
    for limb, thread in zip(limbs, threads, strict=True):
        if thread is None:
            out.append(limb)
            continue
        curve = curve_through(thread.points, FIRST_SMOOTH_PX)
        along = np.linspace(0, 1, len(thread.radius))
        radius = np.interp(np.linspace(0, 1, len(curve.points)), along, thread.radius)
        out.append(_lay(curve, radius, options, limb.overrun, limb.lead))
    return out


def lay_again(fit: JointFit, options: FitOptions, traced: Array, paths: Array) -> Laid:
    """Limbs on new base curves along the fitted centrelines, with what was learned carried over.

    Parameters
    ----------
    fit : JointFit
        A fit, rough or not.
    options : FitOptions
        Knots along the new limbs.
    traced : ndarray, shape (2,)
        Where the traced paths met, (row, column), px.
    paths : ndarray, shape (N, 2)
        Points of all traced paths.

    Returns
    -------
    Laid
        Limbs from the point where they meet outwards; a single one keeps its ends.

    Raises
    ------
    NoMeeting
        If a limb hardly reaches beyond the point where the limbs meet.
    numpy.linalg.LinAlgError
        If the centrelines do not tell where that is.
    """
    tree = len(fit.limbs) > 1
    seen = mouths(fit.limbs)
    trusted = [trusted_from(fit, i, first) for i, first in enumerate(seen)] if tree else seen
    meeting = meeting_point(fit.limbs, trusted) if tree else None
    if meeting is not None:
        if trusted == seen:
            meeting = near_traced(fit, meeting, traced)
        else:
            traced = meeting = on_traced(fit, meeting, paths)
    limbs = []
    rs, es = [], []
    for i, limb in enumerate(fit.limbs):
        s = limb.curve.position
        points, radius = limb.points(s), limb.radius(s)
        if meeting is None:
            curve = curve_through(points, 2.0)
            from_end = s - limb.curve.length
            known = 0.0
        else:
            known = min(trusted[i], limb.curve.length - 8)
            k = int(np.searchsorted(s, known))
            ahead = (points[k:] - meeting) @ limb.curve.tangent[k] > 2.0
            if np.count_nonzero(ahead) < _LEAST_AHEAD:
                msg = "a limb lies behind the point where the limbs meet"
                raise NoMeeting(msg)
            curve = curve_through(np.vstack([meeting, points[k:][ahead]]), _AGAIN_SMOOTH_PX)
            from_end = s - limb.curve.length
        new = np.interp(curve.position - curve.length, from_end, radius)
        first = int(np.searchsorted(curve.position, max(curve.length - (limb.curve.length - known), 0)))
        at_mouth = new[min(first, len(new) - 1)]
        new[:first] = np.clip(new[:first], 0.6 * at_mouth, 1.6 * at_mouth)
        laid = _lay(curve, np.maximum(new, 0.4), options, limb.overrun, limb.lead)
        gain = np.interp(
            np.arange(laid.g_spline.count) * laid.g_spline.spacing - laid.curve.length,
            np.arange(limb.g_spline.count) * limb.g_spline.spacing - limb.curve.length,
            limb.g,
        )
        limbs.append(replace(laid, g=gain))
        before = fit.shared.precisions
        assert before is not None  # noqa: S101 - set by every fit
        rs.append(_carried(before.r[i], limb.curve.length, limb.r_spline, laid.curve.length, laid.r_spline))
        es.append(_carried(before.e[i], limb.curve.length, limb.e_spline, laid.curve.length, laid.e_spline))
    shared = fit.shared
    assert shared.precisions is not None  # noqa: S101 - set by every fit
    moved = 0.0 if meeting is None else float(np.linalg.norm(meeting - fit.limbs[0].curve.points[0]))
    unsettled = trusted != seen or moved > _MOVED_PX
    # told anew as soon as the next fit learns: limbs laid from the meeting point start straight
    turn = tuple(np.zeros(limb.e_spline.count - 2) for limb in limbs)
    carried = replace(shared, precisions=replace(shared.precisions, r=tuple(rs), e=tuple(es), turn=turn))
    return Laid(limbs, carried, traced, unsettled)


def _beyond(path: Array, crop: Crop) -> tuple[Array, float]:
    """Path carried straight on beyond its outer end as far as usable pixels reach, and by how much."""
    back = path[max(len(path) - 9, 0)]
    direction = path[-1] - back
    size = float(np.linalg.norm(direction))
    if size < 1:
        return path, 0.0
    steps = np.arange(1.0, _OVERRUN_PX + 0.5)
    more = path[-1] + steps[:, None] * direction / size
    cells = np.round(more).astype(int)
    inside = ((cells >= 0) & (cells < np.array(crop.image.shape))).all(1)
    usable = inside.copy()
    usable[inside] = crop.valid[cells[inside, 0], cells[inside, 1]]
    count = int(np.argmin(usable)) if not usable.all() else len(steps)
    return np.vstack([path, more[:count]]), float(count)


def _lay(curve: Curve, radius: Array, options: FitOptions, overrun: float, lead: float) -> Limb:
    return lay_limb(curve, radius, options.radius_knot_px, options.offset_knot_px, options.gain_knot_px, overrun, lead)


def _carried(precision: Array, old_length: float, old: Spline, new_length: float, new: Spline) -> Array:
    """Precisions of second differences at the knots of another spline, by distance from the outer end."""
    at_old = np.arange(old.count - 2) * old.spacing - old_length
    at_new = np.arange(new.count - 2) * new.spacing - new_length
    scale = (old.spacing / new.spacing) ** 3
    return np.asarray(np.exp(np.interp(at_new, at_old, np.log(precision))) * scale)
