"""Width of a catheter shaft: two concentric blurred cylinders fitted along a stretch of it.

The shaft is::

    v = B - a_outer E(r_outer) - a_inner E(r_inner)

with a hole in the wall (``a_inner = -a_outer``) for an unfilled catheter and a positive sum of both for a filled one
(:mod:`qca.tube.shaft_model`). The radii and amplitudes are common to the whole stretch; the axis and the background
follow it. Hypotheses are compared on the mean cross profile (:mod:`qca.tube.shaft_profile`), the likeliest is fitted to
all pixels (:mod:`qca.tube.shaft_fit`), first by itself (:mod:`qca.tube.shaft_sight`), then with what the vessels
taught.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from qca.tube.curve import Curve
from qca.tube.shaft_blur import Blur, believed, log_belief
from qca.tube.shaft_fit import ShaftSolution, solve_shaft
from qca.tube.shaft_model import EMPTY, GreyPrior, ShaftOptions
from qca.tube.shaft_pixels import Mask
from qca.tube.shaft_profile import Candidate, MeanProfile
from qca.tube.shaft_sight import SeenShaft, likeliest, see_shaft
from qca.tube.shaft_wire import Cleared, left_over

Array = npt.NDArray[np.float64]

_FREE_BLUR_SD = 0.35
"""SD of the log blur where the vessels say nothing about it."""
_OPEN = 0.2
"""SD of the log width from which on a shaft more blurred than the vessels, such as a thin one with a wire in it, is no
measure by its own blur, and theirs is all there is."""
_VISIBLE_Z = 5.0
"""A shaft shows when its amplitude is this many SDs."""


@dataclass(frozen=True, slots=True)
class Shaft:
    """A fitted stretch of catheter.

    ``outer_px`` and ``inner_px`` are diameters, px, with their SDs (residual correlation included). ``taper`` is the
    relative change of the outer diameter over the stretch with ``taper_sd``. ``spread_px`` is the SD of the outer
    diameter between windows along the stretch, NaN for a single window, and ``spread_expected_px`` what noise alone
    would give. ``filled`` tells whether contrast fills the lumen; ``ambiguous`` that it could as well be the other way
    round, with another width; ``visible`` that the shaft stands out from the noise. ``wire`` tells of something in its
    lumen, None where there is nothing. ``amplitude_outer`` and ``amplitude_inner`` are the attenuations of wall and
    lumen, grey levels per px; ``sigma_px`` is the blur; ``chi2`` the mean squared residual over the noise. ``axis``,
    ``left``, ``right`` (N, 2), (row, column), are the axis and the outer walls.
    """

    outer_px: float
    outer_sd_px: float
    inner_px: float
    inner_sd_px: float
    length_px: float
    taper: float
    taper_sd: float
    spread_px: float
    spread_expected_px: float
    filled: bool
    visible: bool
    ambiguous: bool
    wire: Literal["taken_out", "doubtful"] | None
    amplitude_outer: float
    amplitude_inner: float
    sigma_px: float
    chi2: float
    axis: Array
    left: Array
    right: Array


def fit_shaft(
    image: Array,
    curve: Curve,
    first_radius_px: float,
    *,
    log_sigma: float,
    log_sigma_sd: float,
    bend: float,
    options: ShaftOptions,
    contrast: float | None = None,
    feature: str = "outer_wall",
    valid: Mask | None = None,
) -> Shaft:
    """Fit the shaft along ``curve``; both hypotheses, filled and empty, are tried and the better one kept.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Vessels (and catheter) dark.
    curve : Curve
        Rough axis between the two picks.
    first_radius_px : float
        Rough outer radius.
    log_sigma, log_sigma_sd : float
        Blur prior from the vessels, log px.
    bend : float
        Bending of the grey scale from the vessels, 1/px.
    options : ShaftOptions
        Priors.
    contrast : float, optional
        Contrast of the vessels, grey levels per px of chord.
    feature : str
        ``"outer_wall"`` or ``"filled_lumen"``.
    valid : ndarray of bool, shape (rows, columns), optional
        Usable pixels.

    Returns
    -------
    Shaft
        Diameters with uncertainty.
    """
    grey = GreyPrior(log_sigma, log_sigma_sd, bend, contrast)
    guess = replace(grey, log_sigma_sd=_FREE_BLUR_SD)
    seen = see_shaft(image, curve, first_radius_px, guess, options, feature=feature, valid=valid)
    return settle_shaft(seen, grey, options)


def settle_shaft(seen: SeenShaft, grey: GreyPrior, options: ShaftOptions) -> Shaft:
    """Fit a shaft that was seen once more, with what the vessels have taught by now.

    Parameters
    ----------
    seen : SeenShaft
        Its first fit.
    grey : GreyPrior
        Blur and bending from the vessels, the shaft's own share taken out.
    options : ShaftOptions
        Priors.

    Returns
    -------
    Shaft
        Diameters with uncertainty.
    """
    here = seen.solution.pixels.base
    grey = replace(grey, contrast=grey.contrast_on(here), level=here)
    vessels = Blur(grey.log_sigma, grey.log_sigma_sd)
    best, ambiguous = likeliest(seen.candidates, grey, options)
    if ambiguous:
        # blur and bending are known by now, and tell the hypotheses apart better
        again = [_told(seen.profile, fitted, vessels, grey, options) for fitted in seen.candidates]
        best, ambiguous = likeliest(again, grey, options)
    same = best.kind == seen.solution.kind
    own = Blur(seen.log_sigma, seen.log_sigma_sd) if same else best.own
    grey = _with_blur(grey, believed(own, vessels))
    pixels, start, radius = seen.solution.pixels, seen.solution.theta, best.radius_px
    solution = solve_shaft(
        pixels, best.kind, radius, grey, options, iterations=6 if same else 8, start=start if same else None
    )
    if own.log_sigma > vessels.log_sigma and math.sqrt(float(solution.covariance[0, 0])) > _OPEN:
        solution = solve_shaft(pixels, best.kind, radius, _with_blur(grey, vessels), options, iterations=8)
    wire = seen.wire
    if wire is not None and not wire.taken_out and solution.kind != EMPTY and not left_over(solution, grey.bend):
        # with the vessels' blur, what looked like a wire that could not be taken out is none
        wire = None
    return _shaft(solution, options.window_px, ambiguous=ambiguous, wire=wire)


def _told(profile: MeanProfile, fitted: Candidate, vessels: Blur, grey: GreyPrior, options: ShaftOptions) -> Candidate:
    """Fit a hypothesis once more with what the vessels' blur says about the one that it has by itself."""
    prior = believed(fitted.own, vessels)
    told = profile.fit(fitted.kind, fitted.radius_px, _with_blur(grey, prior), options)
    # the true belief in the place of the normal one that led the fit
    normal = 0.5 * ((told.log_sigma - prior.log_sigma) / prior.sd) ** 2
    return replace(told, cost=told.cost - normal - float(log_belief(np.array([told.log_sigma]), vessels)[0]))


def _with_blur(grey: GreyPrior, blur: Blur) -> GreyPrior:
    return replace(grey, log_sigma=blur.log_sigma, log_sigma_sd=blur.sd)


def _shaft(solution: ShaftSolution, window_px: float, *, ambiguous: bool, wire: Cleared | None) -> Shaft:
    """Numbers of a solution, with the covariance at the noise that its residuals show."""
    pixels, theta, state, curve = solution.pixels, solution.theta, solution.state, solution.pixels.curve
    residual, weight = solution.residual, solution.weight
    covariance = solution.covariance
    shows = float(np.sqrt(weight @ solution.jacobian[:, 3] ** 2))
    radius = float(np.exp(theta[0]))
    ratio = float(theta[1])
    spread, expected = _spread(solution, residual, weight, window_px)
    axis = pixels.axis(solution.offsets)
    wall = radius * (1 + theta[5] * (curve.position / curve.length - 0.5))
    by_inner = np.array([2 * radius * ratio, 2 * radius])
    return Shaft(
        outer_px=2 * radius,
        outer_sd_px=2 * radius * float(np.sqrt(covariance[0, 0])),
        inner_px=2 * radius * ratio,
        inner_sd_px=float(np.sqrt(by_inner @ covariance[:2, :2] @ by_inner)),
        length_px=curve.length,
        taper=float(theta[5]),
        taper_sd=float(np.sqrt(covariance[5, 5])),
        spread_px=spread,
        spread_expected_px=expected,
        filled=solution.kind != EMPTY,
        # the amplitude alone, for it trades against the wall's thickness where the wall is thin
        visible=bool(theta[3] * shows > _VISIBLE_Z),
        ambiguous=ambiguous,
        wire=None if wire is None else "doubtful" if wire.doubtful else "taken_out",
        amplitude_outer=float(theta[3] * state.parts.wall),
        amplitude_inner=float(theta[3] * state.parts.lumen),
        sigma_px=state.sigma_px,
        chi2=float((weight * residual**2).mean()),
        axis=axis,
        left=axis - wall[:, None] * curve.normal,
        right=axis + wall[:, None] * curve.normal,
    )


def _spread(solution: ShaftSolution, residual: Array, weight: Array, window_px: float) -> tuple[float, float]:
    """SD of the outer diameter between windows along the shaft, px, and what noise alone would give.

    In each window the width, the shift and a parabola of background are fitted to the ``residual`` (P,).
    """
    pixels, jacobian, by_offset = solution.pixels, solution.jacobian, solution.by_offset
    length = pixels.curve.length
    diameter = 2 * float(np.exp(solution.theta[0]))
    count = max(int(length // window_px), 1)
    across = pixels.x / pixels.reach
    deviation, expected = [], []
    for a, b in pairwise(np.linspace(0, length, count + 1)):
        m = (pixels.s >= a) & (pixels.s < b)
        part = np.column_stack([jacobian[m, 0], by_offset[m], np.ones(m.sum()), across[m], across[m] ** 2])
        weighted = (part * weight[m][:, None]).T
        normal = weighted @ part + 1e-9 * np.eye(part.shape[1])
        deviation.append(diameter * np.linalg.solve(normal, weighted @ residual[m])[0])
        expected.append(diameter * np.sqrt(np.linalg.inv(normal)[0, 0]))
    spread = float(np.std(deviation, ddof=1)) if count > 1 else math.nan
    return spread, float(np.sqrt(np.mean(np.square(expected))))
