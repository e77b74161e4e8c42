"""The maximum-a-posteriori fit of a shaft to all its pixels: Gauss-Newton steps with damping and a Huber cost.

What a shaft predicts stands in :mod:`qca.tube.shaft_prediction`; here are the prior, the cost, and what a fit learns on
its way: the noise and the smoothness of the background.

Parameters: log outer radius, lumen ratio, wall over lumen, amplitude, log blur, taper; then the axis' offsets (A) and
the background (B). P pixels, Q = 6 + A + B parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qca.tube.median import median
from qca.tube.noise import MAD_TO_SD
from qca.tube.normal import Factor, symmetric_inverse
from qca.tube.shaft_model import EMPTY, GreyPrior, Hypothesis, ShaftOptions
from qca.tube.shaft_pixels import Array, ShaftPixels
from qca.tube.shaft_prediction import AXIS, ShaftPrediction, ShaftState, pattern_entries
from qca.tube.steps import LOG_BLURS

_TAPER_SD = 0.1
"""Relative change of the diameter over the stretch; own choice."""
_SWERVE_SD_PX = 0.2
"""SD of the second differences of the axis' offsets; own choice."""
_SETTLED = 0.003
"""Gain in log likelihood under which the steps end."""
_NEARLY = 8.0
"""Gain of a step that lands where it should to second order; what comes later only smooths the background."""
_CARRIED = 0.3
"""The same for a fit that carries on: where it changes so little, a third step moves the width by under a tenth SD."""
_EMPTY_STEPS = 20
"""Steps for an empty catheter: a thin dark wall and a thick pale one lie in one long valley, down which they creep."""
_TRIALS = 6


@dataclass(frozen=True, slots=True)
class ShaftSolution:
    """A fitted shaft.

    ``theta`` (Q,) are the parameters, ``state`` the prediction, ``residual`` (P,) what the pixels have over it, as a
    least squares fit is to take them, ``jacobian`` (P, 26) its derivatives by the
    fixed parameters, four of the axis and sixteen of the background, ``weight`` (P,)
    the pixels' robust inverse variances and ``covariance`` (Q, Q) the inverse Hessian of minus the log posterior, at
    the noise that the residuals show.
    """

    pixels: ShaftPixels
    kind: Hypothesis
    theta: Array
    state: ShaftState
    residual: Array
    jacobian: Array
    weight: Array
    covariance: Array

    @property
    def radius_px(self) -> float:
        """Outer radius in the middle of the stretch, px."""
        return float(np.exp(self.theta[0]))

    @property
    def offsets(self) -> Array:
        """Coefficients of the axis' offsets, shape (A,), px."""
        return self.theta[self.pixels.axis_part]

    @property
    def ground(self) -> Array:
        """Coefficients of the background, shape (B,), grey levels."""
        return self.theta[self.pixels.ground_part]

    @property
    def by_offset(self) -> Array:
        """Derivative of the grey levels by a shift of the whole axis, shape (P,), grey levels per px."""
        return np.asarray(self.jacobian[:, AXIS].sum(1))


def solve_shaft(
    pixels: ShaftPixels,
    kind: Hypothesis,
    radius_px: float,
    grey: GreyPrior,
    options: ShaftOptions,
    *,
    iterations: int,
    start: Array | None = None,
) -> ShaftSolution:
    """Fit one hypothesis to all pixels.

    Parameters
    ----------
    pixels : ShaftPixels
        Pixels and bases.
    kind : {"filled", "empty", "lumen"}
        Hypothesis.
    radius_px : float
        First outer radius.
    grey : GreyPrior
        Blur and bending of the grey scale.
    options : ShaftOptions
        Priors.
    iterations : int
        At most this many steps; an empty catheter takes what it needs.
    start : ndarray, shape (Q,), optional
        Where to start, an earlier fit to the same pixels.

    Returns
    -------
    ShaftSolution
        Parameters with what their covariance needs.
    """
    problem = _Problem(pixels, kind, grey, options)
    theta = problem.start(radius_px) if start is None else start
    state, damping = problem.prediction.at(theta), 1e-3
    for number in range(_EMPTY_STEPS if kind == EMPTY else iterations):
        learn = number > 0 or start is not None
        theta, state, damping, gain = problem.step(theta, state, damping, learn=learn)
        if gain < _SETTLED:
            break
        if kind != EMPTY and ((number > 1 and gain < _NEARLY) or (start is not None and number and gain < _CARRIED)):
            break
    return problem.solution(theta, state)


class _Problem:
    """Prior and cost of one hypothesis, with the noise and the smoothness that are learned on the way."""

    def __init__(self, pixels: ShaftPixels, kind: Hypothesis, grey: GreyPrior, options: ShaftOptions) -> None:
        self.pixels = pixels
        self.kind = kind
        self.grey = grey
        self.options = options
        self.variance = pixels.noise**2 * pixels.correlation
        self.mean, self.precision = self._prior()
        self._smooth_ground(1 / (3 * pixels.noise) ** 2)
        self.prediction = ShaftPrediction(pixels, kind, grey, options.margin_px)

    def _prior(self) -> tuple[Array, Array]:
        """Mean (Q,) and precision (Q, Q)."""
        options, pixels = self.options, self.pixels
        size, axis = pixels.pattern.size, pixels.axis_part
        mean = np.zeros(size)
        precision = np.zeros((size, size))
        mean[1], ratio_sd = options.ratio_prior(self.kind)
        precision[1, 1] = 1 / ratio_sd**2
        mean[2], wall_sd = options.wall_prior(self.kind)
        precision[2, 2] = 1 / wall_sd**2
        mean[4] = self.grey.log_sigma
        precision[4, 4] = 1 / self.grey.log_sigma_sd**2
        precision[5, 5] = 1 / _TAPER_SD**2
        count = pixels.axis_spline.count
        second = np.diff(np.eye(count), 2, axis=0)
        precision[axis, axis] = second.T @ second / _SWERVE_SD_PX**2 + 1e-4 * np.eye(count)
        return mean, precision

    def _smooth_ground(self, strength: float) -> None:
        """Set the precision of the background's second differences."""
        self.ground_strength = strength
        plane, part = self.pixels.plane, self.pixels.ground_part
        self.precision[part, part] = strength * (plane.penalty + 1e-9 * np.eye(plane.count))

    def _learn(self, theta: Array, normal: Array) -> None:
        """Set the smoothness of the background from the fit at ``theta`` (Q,) with the ``normal`` matrix there.

        One step of MacKay's fixed point (MacKay DJC, Neural Computation 1992;4:415-447).
        """
        rough, part = self.pixels.plane.penalty, self.pixels.ground_part
        covariance = Factor(normal + self.precision, own=True).inverse(part.start)
        known = self.pixels.plane.rank - self.ground_strength * float(np.vdot(covariance, rough))
        roughness = float(theta[part] @ rough @ theta[part])
        old = self.ground_strength
        self._smooth_ground(float(np.clip(max(known, 1.0) / max(roughness, 1e-12), old / 30, old * 30)))

    def _left_over(self, state: ShaftState) -> tuple[Array, Array]:
        """Residuals (P,), as a least squares fit is to take them, and robust inverse variances of the pixels (P,)."""
        alone = np.full(len(state.level), self.variance / self.pixels.correlation)
        residual, part = self.pixels.censored.told(self.pixels.level - state.level, alone)
        spread = self.options.huber * np.sqrt(self.variance)
        return residual, part * np.minimum(1, spread / np.maximum(np.abs(residual), 1e-12)) / self.variance

    def _set_noise(self, state: ShaftState) -> None:
        """Set the variance from what the pixels that show it have over a prediction."""
        shown = self.pixels.censored.others(self.pixels.level - state.level)
        self.variance = max(_robust_variance(shown), self.pixels.least**2) * self.pixels.correlation

    def solution(self, theta: Array, state: ShaftState) -> ShaftSolution:
        """Parameters (Q,) with everything about the fit there."""
        self._set_noise(state)
        residual, weight = self._left_over(state)
        jacobian = self.prediction.jacobian(theta, state)
        normal, _ = self._told(jacobian, weight, residual)
        covariance = symmetric_inverse(normal + self.precision)
        return ShaftSolution(self.pixels, self.kind, theta, state, residual, jacobian, weight, covariance)

    def start(self, radius_px: float) -> Array:
        """First parameters (Q,): the prior's mean, the radius, the background beside, the amplitude of the depth."""
        pixels = self.pixels
        theta = self.mean.copy()
        theta[0] = np.log(radius_px)
        theta[self.pixels.ground_part] = pixels.first_ground
        theta[3] = self.prediction.first_amplitude(radius_px)
        if self.kind == EMPTY:
            theta[3] *= 4
        return theta

    def _told(self, jacobian: Array, weight: Array, residual: Array) -> tuple[Array, Array]:
        """Hessian (Q, Q) of minus the log likelihood, and the gradient (Q,) of the log likelihood."""
        root = np.sqrt(weight)
        return self.pixels.pattern.normal(pattern_entries(root[:, None] * jacobian), root * residual)

    def cost(self, theta: Array, state: ShaftState) -> float:
        """Minus the log posterior up to a constant, with Huber's cost of residuals."""
        residual, censored = self.pixels.level - state.level, self.pixels.censored
        z = np.abs(residual) / np.sqrt(self.variance)
        huber = self.options.huber
        misfits = np.where(z < huber, 0.5 * z * z, huber * (z - 0.5 * huber))
        if len(censored.at):
            correlation = self.pixels.correlation
            misfits[censored.at] = censored.cost(residual, np.sqrt(self.variance / correlation), huber) / correlation
        away = theta - self.mean
        return float(misfits.sum() + 0.5 * away @ self.precision @ away)

    def step(
        self, theta: Array, state: ShaftState, damping: float, *, learn: bool
    ) -> tuple[Array, ShaftState, float, float]:
        """One step downhill: new parameters, state, damping, and the gain in log posterior, 0 where there was none.

        With ``learn`` noise and smoothness of the background are set first.
        """
        if learn:
            self._set_noise(state)
        residual, weight = self._left_over(state)
        normal, pull = self._told(self.prediction.jacobian(theta, state), weight, residual)
        if learn:
            self._learn(theta, normal)
        pull = pull - self.precision @ (theta - self.mean)
        before = self.cost(theta, state)
        for _ in range(_TRIALS):
            move = Factor(normal + self.precision, damping * np.diag(normal) + 1e-12, own=True).solve(pull)
            new = theta + self._step_limit(move) * move
            new[1] = np.clip(new[1], 0.5, 0.97)
            new[4] = np.clip(new[4], *LOG_BLURS)
            new_state = self.prediction.at(new)
            after = self.cost(new, new_state)
            if after < before:
                return new, new_state, max(damping * 0.1, 1e-7), before - after
            damping = max(damping * 10, 1e-3)
        return theta, state, damping, 0.0

    def _step_limit(self, move: Array) -> float:
        """Part of a step that a linearisation can bear."""
        limits = (
            (abs(move[0]), 0.25),
            (np.abs(move[self.pixels.axis_part]).max(), 2.0),
            (abs(move[4]), 0.3),
            (abs(move[1]), 0.1),
        )
        return float(min(1.0, *(limit / max(size, 1e-9) for size, limit in limits)))


def _robust_variance(residual: Array) -> float:
    """Variance of the noise from residuals (P,), outliers apart."""
    return float(max((MAD_TO_SD * median(np.abs(residual))) ** 2, 1e-12))
