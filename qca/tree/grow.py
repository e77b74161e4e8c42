"""From rough paths to fitted limbs: fit, find the branching point, lay the limbs anew from there, fit again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tree.meeting import meeting_point, near_traced, on_traced, trusted_from
from qca.tree.thread import Thread, likelier, missed, thread_along
from qca.tree.trace import FIRST_SMOOTH_PX, REACH_PX, Crop, first_look
from qca.tree.wires import as_expected, held, strained, threaded, wire_likely
from qca.tube.bend_by_noise import told_by_noise
from qca.tube.confluence import mouths
from qca.tube.curve import Curve, curve_through
from qca.tube.fitted import JointFit
from qca.tube.joint import fit_limbs
from qca.tube.limb import Limb, lay_limb
from qca.tube.median import median
from qca.tube.options import FitOptions
from qca.tube.shared import Shared
from qca.tube.spline import Spline
from qca.tube.wire import Wire

Array = npt.NDArray[np.float64]

_ROUGH_STEPS = (4, 2)
"""Steps of the first rough round and of those after it; the limbs are laid anew after each."""
_MOST_ROUNDS = 5
"""Rough rounds after the first: one, and more while the limbs are still finding their way."""
_MOVED_PX = 4.0
"""From this move of the branching point on, limbs laid anew are fitted roughly once more."""
_COARSE, _COARSE_GROUND = 2.0, 1.4
"""How much further apart knots are in a rough round, along the limbs and in the background."""
_TRIAL_STEPS = 10
"""Of a fit that tries whether there are wires."""
_STEPS = 9
"""At most, of the last round."""
_AGAIN_SMOOTH_PX = 3.0
_LEAST_AHEAD = 5
"""Points, about a pixel apart, that a limb needs beyond the place where the limbs meet."""
_BLUR_STEP = 0.05
"""Steps of the blur, log px, in which knots move apart."""
_USUAL_BLUR_PX = 1.1
"""0.22 mm at 0.2 mm per px."""
_OVERRUN_PX = 10.0
"""How far a limb is fitted beyond its pick, so that the pick's place is not the fit's end."""


class NoMeeting(np.linalg.LinAlgError):
    """The limbs lie so that there is no place where all meet."""


def grow(crop: Crop, paths: Sequence[Array], options: FitOptions, *, rough: bool = False) -> JointFit:
    """Fit the limbs that run along rough paths.

    Parameters
    ----------
    crop : Crop
        Image with vessels dark.
    paths : sequence of ndarray, shape (N, 2)
        Three paths from their meeting point outwards, or a single one.
    options : FitOptions
        Sizes and priors of the fit.
    rough : bool
        Stop short of the last, fine round.

    Returns
    -------
    JointFit
        In crop coordinates.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the pixels do not determine the limbs; `NoMeeting` if these meet nowhere.
    """
    coarse = replace(coarser(options, _COARSE), background_knot_px=_COARSE_GROUND * options.background_knot_px)
    limbs, threads = _first_limbs(crop, paths, coarse)
    if rough:
        return _settled(crop, limbs, coarse, rough=True).found
    settled, sized, fit = _fitted(crop, limbs, coarse, options)
    if any(thread is not None and missed(thread, limb) for thread, limb in zip(threads, fit.limbs, strict=True)):
        try:
            other = _fitted(crop, _on_threads(limbs, threads, coarse), coarse, options)
        except np.linalg.LinAlgError:
            other = None
        if other is not None and likelier(other[2], fit):
            settled, sized, fit = other
    return _wired(crop, settled, sized, fit)


class _Settled(NamedTuple):
    """What the rough rounds ``found``, where the ``traced`` paths met, and the points ``seen`` along them, (N, 2)."""

    found: JointFit
    traced: Array
    seen: Array


def _settled(crop: Crop, limbs: Sequence[Limb], coarse: FitOptions, *, rough: bool) -> _Settled:
    """Fit roughly until the limbs have found their way."""
    traced, seen = limbs[0].curve.points[0], np.vstack([limb.curve.points for limb in limbs])
    first, again = _ROUGH_STEPS
    found = _roughly(crop, limbs, coarse, Shared(), first)
    for _ in range(_MOST_ROUNDS):
        laid = _lay_again(found, coarse, traced, seen)
        traced = laid.traced
        found = _roughly(crop, laid.limbs, coarse, laid.shared, again, covariance=rough)
        if not laid.unsettled:
            break
    return _Settled(found, traced, seen)


def _fitted(
    crop: Crop, limbs: Sequence[Limb], coarse: FitOptions, options: FitOptions
) -> tuple[_Settled, FitOptions, JointFit]:
    """All rounds from first limbs on: the rough ones, the options of the last, and the last."""
    settled = _settled(crop, limbs, coarse, rough=False)
    sized = sized_for_blur(options, float(np.exp(settled.found.log_sigma)))
    sized = replace(sized, priors=told_by_noise(options.priors, settled.found))
    return settled, sized, _finely(crop, settled.found, sized, settled.traced, settled.seen)


def _wired(crop: Crop, settled: _Settled, sized: FitOptions, fit: JointFit) -> JointFit:
    """Look for wires after the last round, and do it again with those that are there."""
    found, traced, seen = settled
    lines = fit.seen_wires
    if lines is not None and strained(fit, sized.priors):
        # what a wire does to the residuals is seen where blur and bending may not give way to it
        start = replace(found, shared=as_expected(found.shared, sized.priors))
        lines = _finely(crop, start, replace(sized, priors=held(sized.priors)), traced, seen).seen_wires
    if lines is None or not wire_likely(fit, lines, sized.priors):
        return fit
    laid = _lay_again(fit, sized, traced, seen)
    even = [replace(limb, g=np.zeros_like(limb.g)) for limb in laid.limbs]

    def refit(shared: Shared, wires: Sequence[Wire]) -> JointFit:
        return _roughly(crop, laid.limbs if not wires else even, sized, shared, _TRIAL_STEPS, wires=wires)

    wires = threaded(lines, laid.shared, sized.priors, sized.least_wire, refit)
    return replace(fit if wires.fit is None else _finely(crop, wires.fit, sized, traced, seen), odd=wires.odd)


def _finely(crop: Crop, found: JointFit, options: FitOptions, traced: Array, seen: Array) -> JointFit:
    laid = _lay_again(found, options, traced, seen)
    return fit_limbs(
        crop.image,
        laid.limbs,
        options,
        laid.shared,
        usable=crop.valid,
        core_px=_core(laid.limbs),
        iterations=_STEPS,
        wires=_relaid(found.wires, laid.limbs),
    )


def _roughly(
    crop: Crop,
    limbs: Sequence[Limb],
    options: FitOptions,
    shared: Shared,
    steps: int,
    *,
    covariance: bool = False,
    wires: Sequence[Wire] = (),
) -> JointFit:
    return fit_limbs(
        crop.image,
        limbs,
        options,
        shared,
        usable=crop.valid,
        core_px=_core(limbs),
        iterations=steps,
        thin=True,
        covariance=covariance,
        wires=_relaid(wires, limbs),
    )


def _relaid(wires: Sequence[Wire], limbs: Sequence[Limb]) -> list[Wire]:
    return [wire.relaid([limb.curve.length for limb in limbs]) for wire in wires]


def coarser(options: FitOptions, factor: float) -> FitOptions:
    """Give the same with the knots along limbs ``factor`` times as far apart."""
    return replace(
        options,
        radius_knot_px=options.radius_knot_px * factor,
        offset_knot_px=options.offset_knot_px * factor,
        gain_knot_px=options.gain_knot_px * factor,
    )


def _core(limbs: Sequence[Limb]) -> float:
    """Radius, px, of the disc around the branching point where it matters how the limbs' ends join.

    A limb's own radius there; 0 for a single one. The narrowest counts, so that an ostial lesion is not cut away with
    the disc of its wide neighbours.
    """
    if len(limbs) == 1:
        return 0.0
    return min(median(limb.radius(np.linspace(0, min(12.0, limb.end), 13))) for limb in limbs)


def background_stretch(sigma: float) -> float:
    """Factor on the background's knots: they keep their distance in blur widths, hence roughly in millimetres."""
    return float(np.clip(sigma / _USUAL_BLUR_PX, 1.0, 1.6))


def sized_for_blur(options: FitOptions, sigma: float) -> FitOptions:
    """Knots as far apart as the blur lets details be told: finer ones cost time and teach nothing.

    A cubic spline with knots every 1.8 blur SDs passes what a Gaussian blur passes to better than 1 %.

    Parameters
    ----------
    options : FitOptions
        With the finest knots, px.
    sigma : float
        Blur SD, px.

    Returns
    -------
    FitOptions
        With the knots along limbs up to twice as far apart.
    """
    # in steps, so that rounding of the blur does not often change how many knots there are
    sigma = math.exp(_BLUR_STEP * round(math.log(sigma) / _BLUR_STEP))
    stretch = float(np.clip(1.8 * sigma / options.radius_knot_px, 1.0, 2.0))
    return replace(coarser(options, stretch), background_knot_px=options.background_knot_px * background_stretch(sigma))


def _first_limbs(crop: Crop, paths: Sequence[Array], options: FitOptions) -> tuple[list[Limb], list[Thread | None]]:
    """First limbs along rough paths, and the threads that they may have missed."""
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


def _on_threads(limbs: Sequence[Limb], threads: Sequence[Thread | None], options: FitOptions) -> list[Limb]:
    """Lay first limbs along threads."""
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


class _Laid(NamedTuple):
    """Limbs laid anew, what is shared, where the ``traced`` paths met, and whether another round is needed.

    It is needed where a limb strayed or the branching point moved. Where a limb strayed, the new meeting point counts
    as traced.
    """

    limbs: list[Limb]
    shared: Shared
    traced: Array
    unsettled: bool


def _lay_again(fit: JointFit, options: FitOptions, traced: Array, paths: Array) -> _Laid:
    """Limbs on new base curves along the fitted centrelines, with what was learned carried over."""
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
    return _Laid(limbs, carried, traced, unsettled)


def _carried(precision: Array, old_length: float, old: Spline, new_length: float, new: Spline) -> Array:
    """Precisions of second differences at the knots of another spline, by distance from the outer end."""
    at_old = np.arange(old.count - 2) * old.spacing - old_length
    at_new = np.arange(new.count - 2) * new.spacing - new_length
    scale = (old.spacing / new.spacing) ** 3
    return np.asarray(np.exp(np.interp(at_new, at_old, np.log(precision))) * scale)
