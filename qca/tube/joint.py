"""One maximum-a-posteriori fit of all limbs of a vessel tree to the pixels of a frame.

Gauss-Newton steps on all parameters together with a Huber weight (Huber PJ, Ann Math Stat 1964;35:73-101); what is
predicted stands in :mod:`qca.tube.problem`, the smoothness follows from the evidence (:mod:`qca.tube.priors`), the
noise from the residuals (:mod:`qca.tube.noise`).

Axes: P pixels, Q parameters, L limbs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from qca.tube.band import Array, Mask, Near
from qca.tube.confluence import mouths
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.noise import correlation_factor, noise_variance
from qca.tube.normal import Factor
from qca.tube.options import FitOptions
from qca.tube.priors import Precisions, add_prior, first_precisions, learned_precisions
from qca.tube.problem import Problem, State
from qca.tube.shared import Shared

_LEARNING, _LEARNING_AGAIN = (1, 2, 4), (0, 1, 2)
"""Steps after which precisions are learned anew, in a first fit and in one that carries on; later ones bring the
parameters to rest."""
_DAMPING = 1e-3
"""Of a step that has no solution otherwise, as a part of what the pixels tell of a parameter."""
_BACK = 0.5
"""A step that takes back more than this part of the last one overshoots."""
_SETTLED = 0.6
"""Gain in log posterior of a step that lands where it should: the next one would gain less than a hundredth of it."""


@dataclass(frozen=True, slots=True)
class JointFit:
    """Result of a fit.

    Parameters
    ----------
    limbs : tuple of Limb
        Limbs with fitted coefficients.
    layout : Layout
        Where each parameter stands in ``theta``.
    theta : ndarray, shape (Q,)
        All parameters.
    covariance : ndarray, shape (Q, Q)
        Inverse Hessian of minus the log posterior, zero for the background; NaN where it was not needed.
    shared : Shared
        Shared parameters, to start the next fit from.
    pixels : ndarray, shape (P, 2)
        Pixels in play, (row, column).
    level, model, background : ndarray, shape (P,)
        Grey levels, vessels dark: seen, predicted, and predicted without vessels.
    opacity : ndarray, shape (P,)
        Blurred opacity of the limbs' union, px.
    variance : ndarray, shape (P,)
        Of the noise of single pixels, grey levels squared.
    weight : ndarray, shape (P,)
        Huber weight, 0 to 1.
    base : float
        Background, grey levels, on which the contrast is that of ``theta``.
    near : tuple of Near
        Each limb's pixels with their arc length and lateral distance.
    """

    limbs: tuple[Limb, ...]
    layout: Layout
    theta: Array
    covariance: Array
    shared: Shared
    pixels: Array
    level: Array
    model: Array
    background: Array
    opacity: Array
    variance: Array
    weight: Array
    base: float
    near: tuple[Near, ...]

    @property
    def log_sigma(self) -> float:
        """Logarithm of the blur, px."""
        return float(self.theta[self.layout.log_sigma])

    @property
    def log_sigma_sd(self) -> float:
        """SD of it."""
        at = self.layout.log_sigma
        return float(np.sqrt(self.covariance[at, at]))

    @property
    def branching_point(self) -> Array:
        """Where the centrelines meet, (row, column)."""
        return np.asarray(self.limbs[0].curve.points[0] + self.theta[self.layout.meeting])

    @property
    def residual(self) -> Array:
        """Level minus model over the noise SD, shape (P,)."""
        return np.asarray((self.level - self.model) / np.sqrt(self.variance))


def fit_limbs(
    image: Array,
    limbs: Sequence[Limb],
    options: FitOptions,
    shared: Shared,
    *,
    usable: Mask,
    core_px: float,
    iterations: int,
    thin: bool = False,
    covariance: bool = True,
) -> JointFit:
    """Fit limbs to the pixels around them.

    Gauss-Newton; precisions are learned anew after some of the first steps, the noise before every third.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Grey values, vessels dark.
    limbs : sequence of Limb
        Starting limbs, three from one branching point outwards or a single one.
    options : FitOptions
        Sizes and priors.
    shared : Shared
        Shared parameters to start from; None where they are to be found.
    usable : ndarray of bool, shape (rows, columns)
        Pixels that may be used.
    core_px : float
        Radius around the branching point that is left out; 0 for a single limb.
    iterations : int
        At most this many steps.
    thin : bool
        Take every other pixel.
    covariance : bool
        Whether it is needed; NaN without.

    Returns
    -------
    JointFit
        Limbs on their base curves with fitted coefficients, and everything about the fit.

    Raises
    ------
    numpy.linalg.LinAlgError
        If pixels and priors together do not determine the parameters.
    """
    problem = Problem(image, limbs, options, shared, usable, core_px, thin=thin)
    precisions = shared.precisions or first_precisions(problem.limbs, problem.noise)
    theta = problem.theta
    variance = np.full(len(problem.level), problem.noise**2)
    state = problem.predict(theta)
    learning = _LEARNING if shared.precisions is None else _LEARNING_AGAIN
    hidden = mouths(limbs)
    moved = np.zeros_like(theta)
    for step_number in range(iterations):
        residual = problem.level - state.model
        if step_number % 3 == 0 or step_number == iterations - 1:
            variance = noise_variance(residual, state.model) * problem.correlation
        hessian, vector = problem.pattern.normal(
            problem.jacobian(state), _huber(residual, variance, options.huber) / variance, residual
        )
        damping = _DAMPING * hessian.diagonal()
        vector -= add_prior(hessian, theta, problem.limbs, problem.layout, problem.plane, precisions, options.priors)
        factor = _factor(hessian, damping)
        step = factor.solve(vector)
        step *= _step_limit(step, problem.layout)
        if _undoes(step, moved, hessian):
            step *= 0.5
        before, theta = theta, _bounded(theta + step, problem)
        moved = theta - before
        gain = 0.5 * float(moved @ vector)
        state = problem.predict(theta)
        last = step_number == iterations - 1
        if not last and step_number in learning:
            # the background's smoothness is one number that is soon known, and the dearest to learn
            first = 0 if step_number == learning[0] else problem.layout.ground.stop
            precisions = learned_precisions(
                theta,
                _spread(factor, first, problem.layout.size),
                problem.limbs,
                problem.layout,
                problem.plane,
                precisions,
                hidden,
                with_ground=first == 0,
            )
        elif step_number > learning[-1] and gain < _SETTLED:
            break
    return _result(problem, theta, state, precisions, options, thin=thin, covariance=covariance)


def _result(
    problem: Problem,
    theta: Array,
    state: State,
    precisions: Precisions,
    options: FitOptions,
    *,
    thin: bool,
    covariance: bool,
) -> JointFit:
    residual = problem.level - state.model
    variance = noise_variance(residual, state.model)
    shape = (problem.image.shape[0], problem.image.shape[1])
    # every other pixel says little about neighbours
    correlation = 1.0 if thin else correlation_factor(problem.pixels, residual / np.sqrt(variance), shape)
    variance = variance * correlation
    weight = _huber(residual, variance, options.huber)
    layout = problem.layout
    spread = np.full((layout.size, layout.size), np.nan)
    if covariance:
        hessian, _ = problem.pattern.normal(problem.jacobian(state), weight / variance, residual)
        damping = _DAMPING * hessian.diagonal()
        add_prior(hessian, theta, problem.limbs, layout, problem.plane, precisions, options.priors)
        spread = _spread(_factor(hessian, damping), layout.ground.stop, layout.size)
    limbs = tuple(
        replace(limb, r=theta[layout.r[i]].copy(), e=theta[layout.e[i]].copy(), g=theta[layout.g[i]].copy())
        for i, limb in enumerate(problem.limbs)
    )
    shared = Shared(
        float(theta[layout.log_k]), float(theta[layout.bend]), float(theta[layout.log_sigma]), precisions, correlation
    )
    return JointFit(
        limbs=limbs,
        layout=layout,
        theta=theta,
        covariance=spread,
        shared=shared,
        pixels=problem.pixels,
        level=problem.level,
        model=state.model,
        background=state.ground,
        opacity=state.opacity,
        variance=variance / correlation,
        weight=weight,
        base=problem.base,
        near=problem.near,
    )


def _factor(hessian: Array, damping: Array) -> Factor:
    """Cholesky factor of a Hessian, damped only where it is not positive definite by itself."""
    try:
        return Factor(hessian)
    except np.linalg.LinAlgError:
        return Factor(hessian, damping)


def _spread(factor: Factor, first: int, size: int) -> Array:
    """Covariance (size, size) of the parameters from ``first`` on; zero for those before."""
    if first == 0:
        return factor.inverse()
    out = np.zeros((size, size))
    out[first:, first:] = factor.inverse(first)
    return out


def _huber(residual: Array, variance: Array, threshold: float) -> Array:
    z = np.abs(residual) / np.sqrt(variance)
    return np.asarray(np.minimum(1.0, threshold / np.maximum(z, 1e-9)))


def _step_limit(step: Array, layout: Layout) -> float:
    """Part of a step that keeps every group of parameters within what a linearisation can bear."""
    limits = [(step[part], 2.0) for part in layout.r] + [(step[part], 3.0) for part in layout.e]
    limits += [(step[layout.log_k : layout.log_k + 1], 0.4), (step[layout.log_sigma : layout.log_sigma + 1], 0.3)]
    limits += [(step[layout.bend : layout.bend + 1], 0.02)]
    return min(1.0, *(limit / max(float(np.abs(part).max()), 1e-12) for part, limit in limits))


def _undoes(step: Array, before: Array, metric: Array) -> bool:
    """Whether a step goes back most of the one before, as about a kink: from half way the next one is small."""
    away = metric @ before
    return float(step @ away) < -_BACK * float(before @ away)


def _bounded(theta: Array, problem: Problem) -> Array:
    """Keep radii positive and the shared parameters within physics."""
    for part, widest in zip(problem.layout.r, problem.widest, strict=True):
        theta[part] = np.clip(theta[part], 0.2, widest)
    theta[problem.layout.log_sigma] = np.clip(theta[problem.layout.log_sigma], np.log(0.3), np.log(6.0))
    theta[problem.layout.bend] = np.clip(theta[problem.layout.bend], -0.03, 0.12)
    return theta
