"""First sight of a catheter shaft: which hypothesis fits, and what the shaft alone tells about the image.

The vessels are not needed here beyond a rough idea of the grey scale, so what a shaft tells about the blur of the
system and about the contrast medium can be used in fitting them: a shaft is an even tube, its walls say how blurred
edges are without a lesion in the way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from qca.tube.curve import Curve, curve_through
from qca.tube.shaft_blur import Blur, without
from qca.tube.shaft_fit import ShaftSolution, solve_shaft
from qca.tube.shaft_model import EMPTY, FILLED, LUMEN, GreyPrior, Hypothesis, ShaftOptions
from qca.tube.shaft_pixels import Mask, ShaftPixels
from qca.tube.shaft_profile import Candidate, MeanProfile
from qca.tube.shaft_wire import Cleared, cleared

Array = npt.NDArray[np.float64]

_AMBIGUOUS = 5.0
"""Log-likelihood difference under which two hypotheses cannot be told apart (odds of 150 to 1)."""
_HOPELESS = 40.0
"""Log-likelihood difference that no prior of a hypothesis makes good."""
_STARTS = (0.7, 1.0, 1.3)
"""Factors on the rough radius from which a hypothesis is tried."""
_OTHER_WIDTH = 0.04
"""Relative difference from which another hypothesis' width matters."""
_STEPS = 8
_SAME_WIDTH, _ABOUT_RIGHT, _SLANT = 0.05, 0.25, 0.03
"""Relative difference of two widths of one hypothesis, and of a rough one, and the slope (rms) of the axis against its
rough course, up to which a fit need not be made again; a slope of 0.03 makes a width 0.05 % too large."""


@dataclass(frozen=True, slots=True)
class SeenShaft:
    """A shaft fitted before anything is known of the vessels.

    ``candidates`` are the hypotheses on the mean ``profile``, ``solution`` the fit of the likeliest to all pixels.
    ``log_sigma`` and ``log_sigma_sd`` are what the shaft by itself says about the blur, log px; ``contrast`` is that of
    its filled lumen, grey levels per px of chord, None where it is not filled or not known to be. ``ambiguous`` tells
    that another hypothesis is about as likely, so that blur and contrast are not to be relied on.
    ``wire`` is one that was seen in the lumen, and taken out of the solution's pixels where that could be done.
    """

    profile: MeanProfile
    candidates: tuple[Candidate, ...]
    solution: ShaftSolution
    log_sigma: float
    log_sigma_sd: float
    contrast: float | None
    ambiguous: bool
    wire: Cleared | None = None


def see_shaft(
    image: Array,
    curve: Curve,
    first_radius_px: float,
    grey: GreyPrior,
    options: ShaftOptions,
    *,
    feature: str = "outer_wall",
    valid: Mask | None = None,
) -> SeenShaft:
    """Find the likeliest hypothesis and fit it.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Vessels (and catheter) dark.
    curve : Curve
        Rough axis between the two picks.
    first_radius_px : float
        Rough outer radius.
    grey : GreyPrior
        A rough idea of blur and bending.
    options : ShaftOptions
        Priors.
    feature : str
        ``"outer_wall"`` or ``"filled_lumen"``.
    valid : ndarray of bool, shape (rows, columns), optional
        Usable pixels.

    Returns
    -------
    SeenShaft
        The fit, and the blur's likelihood.
    """
    options = options.at_sight()
    kinds: tuple[Hypothesis, ...] = (FILLED, EMPTY) if feature == "outer_wall" else (LUMEN,)
    pixels = ShaftPixels.around(image, curve, first_radius_px, options, valid)
    solution = solve_shaft(pixels, kinds[0], first_radius_px, grey, options, iterations=_STEPS)
    profile = MeanProfile.of(pixels, solution.offsets, solution.ground, solution.state.level)
    candidates = _candidates(profile, kinds, first_radius_px, solution.radius_px, grey, options)
    best, ambiguous = likeliest(candidates, grey, options)
    if not _holds(solution, best, first_radius_px):
        axis = pixels.axis(solution.offsets) + best.shift_px * curve.normal
        pixels = ShaftPixels.around(image, curve_through(axis, 2.0), best.radius_px, options, valid)
        solution = solve_shaft(pixels, best.kind, best.radius_px, grey, options, iterations=_STEPS)
    wire = _wire(solution, kinds[0], best, first_radius_px, grey, options)
    if wire is not None:
        if wire.solution is not solution:
            solution = wire.solution
            profile = MeanProfile.of(solution.pixels, solution.offsets, solution.ground, solution.state.level)
            candidates = _candidates(profile, kinds, first_radius_px, solution.radius_px, grey, options)
            best, ambiguous = likeliest(candidates, grey, options)
        wire = replace(wire, doubtful=wire.doubtful or best.kind != solution.kind)
    fitted = Blur(float(solution.theta[4]), math.sqrt(float(solution.covariance[4, 4])))
    own = without(fitted, Blur(grey.log_sigma, grey.log_sigma_sd))
    contrast = None
    if best.kind != EMPTY and not ambiguous:
        contrast = max(float(solution.theta[3] * solution.state.parts.lumen), 1e-12)
    return SeenShaft(profile, candidates, solution, own.log_sigma, own.sd, contrast, ambiguous, wire)


def _wire(
    solution: ShaftSolution,
    kind: Hypothesis,
    best: Candidate,
    first_radius_px: float,
    grey: GreyPrior,
    options: ShaftOptions,
) -> Cleared | None:
    """Look for a wire in a shaft's lumen, also where the shaft was taken for an empty one.

    Parameters
    ----------
    solution : ShaftSolution
        The fit of the likeliest hypothesis ``best``.
    kind : {"filled", "lumen"}
        The hypothesis of a lumen full of contrast.
    best, first_radius_px, grey, options
        As in `see_shaft`.
    """

    def again(pixels: ShaftPixels, start: Array | None) -> ShaftSolution:
        radius = best.radius_px if best.kind == kind else first_radius_px
        return solve_shaft(pixels, kind, radius, grey, options, iterations=_STEPS, start=start)

    filled = solution if best.kind == kind else again(solution.pixels, None)
    return cleared(solution, filled, grey, again)


def _holds(solution: ShaftSolution, best: Candidate, first_radius_px: float) -> bool:
    """Whether a first fit is as good as one to pixels that are laid anew along its axis.

    It is where the likeliest hypothesis is the fitted one, the rough radius was about right and the rough axis ran
    along the fitted one: distances from a slanting axis are too large by half its squared slope.
    """
    radius, curve = solution.radius_px, solution.pixels.curve
    slope = np.gradient(solution.pixels.axis_spline.values(curve.position, solution.offsets), curve.step)
    return (
        best.kind == solution.kind
        and abs(best.radius_px / radius - 1) < _SAME_WIDTH
        and abs(radius / first_radius_px - 1) < _ABOUT_RIGHT
        and float(np.sqrt((slope**2).mean())) < _SLANT
    )


def _candidates(
    profile: MeanProfile,
    kinds: Sequence[Hypothesis],
    rough_px: float,
    fitted_px: float,
    grey: GreyPrior,
    options: ShaftOptions,
) -> tuple[Candidate, ...]:
    """All hypotheses on the mean profile: the first from the radius fitted under it, the other from around a rough one.

    The first one's rough radius is a second start, should its fit have been led astray.
    """
    seen = rough_px / (options.lumen_ratio if kinds[0] == LUMEN else 1.0)
    out = [profile.fit(kinds[0], radius, grey, options) for radius in (fitted_px, seen)]
    for kind in kinds[1:]:
        for factor in _STARTS:
            hopeless = min(fitted.cost for fitted in out) + _HOPELESS
            out.append(profile.fit(kind, rough_px * factor, grey, options, hopeless))
    return tuple(out)


def likeliest(candidates: Sequence[Candidate], grey: GreyPrior, options: ShaftOptions) -> tuple[Candidate, bool]:
    """Choose among hypotheses.

    Parameters
    ----------
    candidates : sequence of Candidate
        Fitted to the mean profile, several of each kind.
    grey : GreyPrior
        With the vessels' contrast where it is known.
    options : ShaftOptions
        Priors.

    Returns
    -------
    best : Candidate
        The likeliest.
    ambiguous : bool
        Another kind is about as likely with another width.
    """
    costs = [fitted.cost + _implausibility(fitted, grey, options) for fitted in candidates]
    best, least = min(zip(candidates, costs, strict=True), key=lambda pair: pair[1])
    ambiguous = any(
        fitted.kind != best.kind
        and cost < least + _AMBIGUOUS
        and abs(fitted.radius_px / best.radius_px - 1) > _OTHER_WIDTH
        for fitted, cost in zip(candidates, costs, strict=True)
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
