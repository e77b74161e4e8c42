"""From rough paths to fitted limbs: fit, find the branching point, lay the limbs anew from there, fit again.

The rounds and their sizes stand here, how limbs are laid in :mod:`qca.tree.laying`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from qca.tree.laying import first_limbs, lay_again, on_threads
from qca.tree.thread import likelier, missed
from qca.tree.trace import Crop
from qca.tree.wires import as_expected, held, strained, threaded, wire_likely
from qca.tube.bend_by_noise import told_by_noise
from qca.tube.fitted import JointFit
from qca.tube.joint import fit_limbs
from qca.tube.limb import Limb
from qca.tube.median import median
from qca.tube.options import FitOptions
from qca.tube.shared import Shared
from qca.tube.wire import Wire

Array = npt.NDArray[np.float64]

_ROUGH_STEPS = (4, 2)
"""Steps of the first rough round and of those after it; the limbs are laid anew after each."""
_MOST_ROUNDS = 5
"""Rough rounds after the first: one, and more while the limbs are still finding their way."""
_COARSE, _COARSE_GROUND = 2.0, 1.4
"""How much further apart knots are in a rough round, along the limbs and in the background."""
_TRIAL_STEPS = 10
"""Of a fit that tries whether there are wires."""
_STEPS = 9
"""At most, of the last round."""
_BLUR_STEP = 0.05
"""Steps of the blur, log px, in which knots move apart."""
_USUAL_BLUR_PX = 1.1
"""0.22 mm at 0.2 mm per px."""


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
        If the pixels do not determine the limbs; `qca.tree.laying.NoMeeting` if these meet nowhere.
    """
    coarse = replace(coarser(options, _COARSE), background_knot_px=_COARSE_GROUND * options.background_knot_px)
    limbs, threads = first_limbs(crop, paths, coarse)
    if rough:
        return _settled(crop, limbs, coarse, rough=True).found
    settled, sized, fit = _fitted(crop, limbs, coarse, options)
    if any(thread is not None and missed(thread, limb) for thread, limb in zip(threads, fit.limbs, strict=True)):
        try:
            other = _fitted(crop, on_threads(limbs, threads, coarse), coarse, options)
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
        laid = lay_again(found, coarse, traced, seen)
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
    laid = lay_again(fit, sized, traced, seen)
    even = [replace(limb, g=np.zeros_like(limb.g)) for limb in laid.limbs]

    def refit(shared: Shared, wires: Sequence[Wire]) -> JointFit:
        return _roughly(crop, laid.limbs if not wires else even, sized, shared, _TRIAL_STEPS, wires=wires)

    wires = threaded(lines, laid.shared, sized.priors, sized.least_wire, refit)
    return replace(fit if wires.fit is None else _finely(crop, wires.fit, sized, traced, seen), odd=wires.odd)


def _finely(crop: Crop, found: JointFit, options: FitOptions, traced: Array, seen: Array) -> JointFit:
    laid = lay_again(found, options, traced, seen)
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
