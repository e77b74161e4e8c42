"""Width of a catheter shaft: two concentric blurred cylinders fitted along a stretch of it.

The shaft is::

    v = B - a_outer E(r_outer) - a_inner E(r_inner)

with a hole in the wall (``a_inner = -a_outer``) for an unfilled catheter and a positive sum of both for a filled one
(:mod:`qca.tube.shaft_model`). The radii and amplitudes are common to the whole stretch; the axis and the background
follow it. Hypotheses are compared on the mean cross profile (:mod:`qca.tube.shaft_profile`), the likeliest is fitted to
all pixels (:mod:`qca.tube.shaft_fit`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from qca.tube.curve import Curve, curve_through
from qca.tube.shaft_fit import ShaftSolution, solve_shaft
from qca.tube.shaft_model import EMPTY, FILLED, LUMEN, GreyPrior, Hypothesis, ShaftOptions
from qca.tube.shaft_pixels import Mask, ShaftPixels
from qca.tube.shaft_profile import Candidate, MeanProfile

Array = npt.NDArray[np.float64]

_AMBIGUOUS = 5.0
"""Log-likelihood difference under which two hypotheses cannot be told apart (odds of 150 to 1)."""
_OTHER_WIDTH = 0.04
"""Relative difference from which another hypothesis' width matters."""
_FREE_BLUR_SD = 0.5
"""SD of the log blur where the shaft may be sharper than the vessels."""
_VISIBLE_Z = 5.0
"""A shaft shows when its amplitude is this many SDs."""


@dataclass(frozen=True, slots=True)
class Shaft:
    """A fitted stretch of catheter.

    ``outer_px`` and ``inner_px`` are diameters, px, with their SDs (residual correlation included). ``taper`` is the
    relative change of the outer diameter over the stretch with ``taper_sd``. ``spread_px`` is the SD of the outer
    diameter between windows along the stretch, NaN for a single window, and ``spread_expected_px`` what noise alone
    would give. ``filled`` tells whether contrast fills the lumen; ``ambiguous`` that it could as well be the other way
    round, with another width; ``visible`` that the shaft stands out from the noise. ``amplitude_outer`` and
    ``amplitude_inner`` are the attenuations of wall and lumen, grey levels per px; ``sigma_px`` is the blur; ``chi2``
    the mean squared residual over the noise. ``axis``, ``left``, ``right`` (N, 2), (row, column), are the axis and the
    outer walls.
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
    kinds: tuple[Hypothesis, ...] = (FILLED, EMPTY) if feature == "outer_wall" else (LUMEN,)
    pixels = ShaftPixels.around(image, curve, first_radius_px, options, valid)
    first = solve_shaft(pixels, kinds[0], first_radius_px, grey, options, iterations=5)
    profile = MeanProfile.of(pixels, first.offsets, first.ground)
    best, ambiguous = _likeliest(profile, kinds, first_radius_px, grey, options)
    radius, grey = _sharpened(profile, best, grey, options)
    axis = pixels.axis(first.offsets) + best.shift_px * curve.normal
    pixels = ShaftPixels.around(image, curve_through(axis, 2.0), radius, options, valid)
    solution = solve_shaft(pixels, best.kind, radius, grey, options, iterations=8)
    return _shaft(solution, options, ambiguous=ambiguous)


def _likeliest(
    profile: MeanProfile, kinds: tuple[Hypothesis, ...], first_radius_px: float, grey: GreyPrior, options: ShaftOptions
) -> tuple[Candidate, bool]:
    """Likeliest hypothesis from several starting radii, and whether another is about as likely with another width."""
    found = []
    for kind in kinds:
        for factor in (0.7, 1.0, 1.3):
            start = first_radius_px * factor / (options.lumen_ratio if kind == LUMEN else 1.0)
            fitted = profile.fit(kind, start, grey, options)
            found.append(replace(fitted, cost=fitted.cost + _implausibility(fitted, grey, options)))
    best = min(found, key=lambda f: f.cost)
    ambiguous = any(
        f.kind != best.kind and f.cost < best.cost + _AMBIGUOUS and abs(f.radius_px / best.radius_px - 1) > _OTHER_WIDTH
        for f in found
    )
    return best, ambiguous


def _implausibility(fitted: Candidate, grey: GreyPrior, options: ShaftOptions) -> float:
    """Minus the log prior of a hypothesis: empty catheters are rare, and contrast is much like the vessels'."""
    cost = options.empty_penalty if fitted.kind == EMPTY else 0.0
    if grey.contrast is None or fitted.kind == LUMEN:
        return cost
    mean, sd = options.empty_log_contrast if fitted.kind == EMPTY else options.filled_log_contrast
    ratio = math.log(max(fitted.amplitude, 1e-12) / grey.contrast)
    # beyond 4 SD the prior itself is in doubt
    return cost + 0.5 * min(((ratio - mean) / sd) ** 2, 16.0) + math.log(sd)


def _sharpened(
    profile: MeanProfile, best: Candidate, grey: GreyPrior, options: ShaftOptions
) -> tuple[float, GreyPrior]:
    """Outer radius, px, and blur prior; a catheter may be sharper than vessels that moved.

    The blur is freed where that explains the profile clearly better.
    """
    free = profile.fit(best.kind, best.radius_px, replace(grey, log_sigma_sd=_FREE_BLUR_SD), options)
    bound = best.cost - _implausibility(best, grey, options)
    if free.cost + math.log(_FREE_BLUR_SD / grey.log_sigma_sd) + _AMBIGUOUS < bound:
        return free.radius_px, replace(grey, log_sigma=free.log_sigma, log_sigma_sd=0.1)
    return best.radius_px, grey


def _shaft(solution: ShaftSolution, options: ShaftOptions, *, ambiguous: bool) -> Shaft:
    """Numbers of a solution, with the covariance at the noise that its residuals show."""
    pixels, theta, state, curve = solution.pixels, solution.theta, solution.state, solution.pixels.curve
    residual = pixels.level - state.level
    noise = 1.4826 * float(np.median(np.abs(residual)))
    weight = np.minimum(1, options.huber * noise / np.maximum(np.abs(residual), 1e-12)) / noise**2
    jacobian = solution.jacobian
    information = (jacobian * weight[:, None]).T @ jacobian
    covariance = np.linalg.inv(information + solution.prior_precision)
    radius = float(np.exp(theta[0]))
    ratio = float(theta[1])
    spread, expected = _spread(solution, residual, weight, options.window_px)
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
        visible=bool(theta[3] * np.sqrt(information[3, 3]) > _VISIBLE_Z),
        ambiguous=ambiguous,
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
    pixels, jacobian = solution.pixels, solution.jacobian
    length = pixels.curve.length
    diameter = 2 * float(np.exp(solution.theta[0]))
    count = max(int(length // window_px), 1)
    across = pixels.x / pixels.reach
    deviation, expected = [], []
    for a, b in pairwise(np.linspace(0, length, count + 1)):
        m = (pixels.s >= a) & (pixels.s < b)
        shift = jacobian[m, solution.axis_part].sum(1)
        part = np.column_stack([jacobian[m, 0], shift, np.ones(m.sum()), across[m], across[m] ** 2])
        weighted = (part * weight[m][:, None]).T
        normal = weighted @ part + 1e-9 * np.eye(part.shape[1])
        deviation.append(diameter * np.linalg.solve(normal, weighted @ residual[m])[0])
        expected.append(diameter * np.sqrt(np.linalg.inv(normal)[0, 0]))
    spread = float(np.std(deviation, ddof=1)) if count > 1 else math.nan
    return spread, float(np.sqrt(np.mean(np.square(expected))))
