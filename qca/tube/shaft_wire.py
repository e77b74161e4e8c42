"""A guide wire in a filled catheter: seen by what a fit without it has left over, and taken out.

As in a vessel (:mod:`qca.tube.wire_sight`), but the shaft is an even tube: one place across its lumen and one area of
the wire's profile say all. What the shaft's own parameters take up of the wire's shade is allowed for, so a few rounds
of looking, taking out and fitting anew come to rest at the joint fit.

Axes: P pixels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from qca.tube.shaft_fit import ShaftSolution
from qca.tube.shaft_model import GreyPrior
from qca.tube.shaft_pixels import Array, ShaftPixels
from qca.tube.shaft_prediction import pattern_entries
from qca.tube.wire import shade
from qca.tube.wire_sight import LEAST_TOLD

_PLACES = np.linspace(-1.0, 1.0, 9)
_NEAR = np.linspace(-0.12, 0.12, 5)
"""Places across the lumen, -1 to 1, where one is looked for first, and then about the last one."""
_SURE_Z = 5.0
"""SDs from which on it is a wire. Without one phantoms stay under 2.6; with one half way to the wall they are over 6,
with one on the axis often under 5."""
_AREAS = 6.0, 30.0
"""Largest area, over the square of the blur, that is taken out first, and ever."""
_CHOSEN = 12.0
"""By how much a wire must lessen the misfit, half the sum of squares."""
_ROUNDS = 6
_SETTLED = 0.02
"""Part of its area by which it may still change."""


class ShaftWire(NamedTuple):
    """The likeliest wire: its place across the lumen, -1 to 1, its area, px^2, and the SDs that speak for it."""

    place: float
    area: float
    z: float


@dataclass(frozen=True, slots=True)
class Cleared:
    """A shaft with a wire in it.

    ``solution`` is the fit to pixels without the wire's shade, or the one before where that did not succeed, which
    ``taken_out`` tells; ``doubtful`` says that it did not, or that something like a wire is still to be seen.
    """

    solution: ShaftSolution
    wire: ShaftWire
    taken_out: bool
    doubtful: bool


def cleared(
    solution: ShaftSolution,
    filled: ShaftSolution,
    grey: GreyPrior,
    again: Callable[[ShaftPixels, Array | None], ShaftSolution],
) -> Cleared | None:
    """Take the wire out of a shaft's pixels and fit the shaft anew.

    Parameters
    ----------
    solution : ShaftSolution
        The likeliest fit that knows of no wire.
    filled : ShaftSolution
        That of a lumen full of contrast, to the same pixels; the same one or another.
    grey : GreyPrior
        Blur and bending of the grey scale.
    again : callable
        Fits a lumen full of contrast to other pixels, from parameters (Q,) on, or afresh: the first fit has swallowed
        the wire.

    Returns
    -------
    Cleared or None
        None where no wire is seen, or where the shaft is empty and looks like it.
    """
    first, most = (float(np.exp(2 * grey.log_sigma)) * part for part in _AREAS)
    wire = likeliest_wire(filled, grey.bend, _PLACES)
    if wire.z < _SURE_Z:
        return None
    fit, wire = _taken_out(filled, wire._replace(area=min(wire.area, first)), most, grey.bend, again)
    if _misfit(fit) + _CHOSEN < _misfit(solution):
        settled = 0 < wire.area < most and not left_over(fit, grey.bend)
        return Cleared(fit, wire, taken_out=True, doubtful=not settled)
    # an empty shaft is none with a wire; a filled one has something in it that is none
    return Cleared(solution, wire, taken_out=False, doubtful=True) if solution is filled else None


def left_over(solution: ShaftSolution, bend: float) -> bool:
    """Whether a fit to a lumen full of contrast leaves over what looks like a wire."""
    return likeliest_wire(solution, bend, _PLACES).z >= _SURE_Z


def _taken_out(
    filled: ShaftSolution,
    wire: ShaftWire,
    most: float,
    bend: float,
    again: Callable[[ShaftPixels, Array | None], ShaftSolution],
) -> tuple[ShaftSolution, ShaftWire]:
    """Take a wire's shade out and fit, look for the wire anew, until both are at rest; areas up to ``most``, px^2."""
    raw, fit = filled.pixels, filled
    for number in range(_ROUNDS):
        cast = wire.area * _shades(fit, np.array([wire.place]), bend)[:, 0]
        fit = again(replace(raw, level=raw.level - cast, depth=raw.depth + cast), fit.theta if number else None)
        near = np.clip(wire.place + (_NEAR if number > 1 else _PLACES), -1.0, 1.0)
        more = likeliest_wire(fit, bend, near, taken_out=wire)
        settled = abs(more.area - wire.area) < _SETTLED * wire.area and abs(more.place - wire.place) < _NEAR[-1] / 2
        wire = more._replace(area=min(more.area, most))
        if settled or not 0 < wire.area < most:
            break
    return fit, wire


def _misfit(solution: ShaftSolution) -> float:
    """Half the sum of squared residuals over the noise beside the shaft, each up to 3 SDs."""
    pixels, model = solution.pixels, solution.state.level
    z = (pixels.censored.completed(pixels.level, model) - model) / pixels.noise
    return 0.5 * float(np.minimum(z * z, 9.0).sum())


def likeliest_wire(
    solution: ShaftSolution, bend: float, places: Array, taken_out: ShaftWire | None = None
) -> ShaftWire:
    """Look for a wire at some places.

    Parameters
    ----------
    solution : ShaftSolution
        A fit.
    bend : float
        Bending of the grey scale, 1/px.
    places : ndarray, shape (T,)
        Where across the lumen, -1 to 1.
    taken_out : ShaftWire, optional
        One whose shade the fitted pixels are without; the wire looked for then is this one, elsewhere and otherwise.
    """
    pixels, weight = solution.pixels, solution.weight
    trials = _shades(solution, places, bend)
    residual = solution.residual
    entries, spread = pattern_entries(solution.jacobian), solution.covariance
    if taken_out is not None:
        # put it back, and let the shaft's parameters answer
        back = taken_out.area * _shades(solution, np.array([taken_out.place]), bend)[:, 0]
        by_back = spread @ pixels.pattern.cross(entries, (weight * back)[:, None])[:, 0]
    weighted = trials * weight[:, None]
    taken = pixels.pattern.cross(entries, weighted)
    alone = np.einsum("pt,pt->t", trials, weighted)
    told = np.maximum(alone - np.einsum("qt,qt->t", taken, spread @ taken), LEAST_TOLD * alone + 1e-12)
    push = weighted.T @ residual
    if taken_out is not None:
        push = push + weighted.T @ back - taken.T @ by_back
    z = push / np.sqrt(told)
    k = int(np.argmax(z))
    return ShaftWire(float(places[k]), float(push[k] / told[k]), float(z[k]))


def _shades(solution: ShaftSolution, places: Array, bend: float) -> Array:
    """Grey levels per px^2 of wires at places (T,) across the lumen, (P, T)."""
    pixels, state, theta = solution.pixels, solution.state, solution.theta
    out = np.zeros((len(pixels.level), len(places)))
    inside = np.flatnonzero(state.near)
    x = (pixels.x - pixels.shift(solution.offsets))[inside]
    opacity = state.parts.wall * state.outer.value + (state.parts.lumen - state.parts.wall) * state.inner.value
    passed = -theta[3] * state.gain * (1 - bend * opacity)
    inner, on = theta[1] * state.radius[inside], np.ones(len(x), dtype=bool)
    for k, place in enumerate(places):
        out[inside, k] = passed * shade(x, inner, np.full(len(x), place), on, 1.0, state.sigma_px).value
    return out
