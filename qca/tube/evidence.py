"""How smooth limbs and background are, learned from the pixels while a fit is under way.

The precisions follow from the evidence by a fixed point (:mod:`qca.tube.smoothness`) that creeps where the pixels say
little. What the pixels say is the same all the while: many of its steps can be taken on one set of normal equations,
with the background eliminated.

Axes: Q parameters, P pixels, K entries of the Jacobian that can differ from zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from qca.tube.band import Array
from qca.tube.layout import Layout
from qca.tube.normal import Elimination, Factor
from qca.tube.overlooked import asked_for
from qca.tube.prediction import Single, State
from qca.tube.priors import Precisions, add_beliefs, add_prior, add_smoothness
from qca.tube.problem import Problem
from qca.tube.smoothness import ground_precision, limb_precisions
from qca.tube.steps import bounded, limited

_DAMPING = 1e-3
"""Of a step that has no solution otherwise, as a part of what the pixels tell of a parameter."""
_ROUNDS_AGAIN = 4
"""Steps of the fixed point after narrowings were given a chance."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """A normal approximation of what pixels and priors say together.

    Parameters
    ----------
    gradient : ndarray, shape (Q,)
        Of its logarithm.
    factor : Factor
        Of the Hessian of minus its logarithm.
    along : ndarray, shape (Q,)
        Product of the Hessian and the step before, as asked for.
    """

    gradient: Array
    factor: Factor
    along: Array


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the pixels say around one place.

    Parameters
    ----------
    problem : Problem
        The fit.
    theta : ndarray, shape (Q,)
        The place.
    matrix : ndarray, shape (Q, Q)
        Hessian of minus the log likelihood.
    vector : ndarray, shape (Q,)
        Gradient of the log likelihood.
    state : State
        What is predicted there.
    residual : ndarray, shape (P,)
        What the pixels have over it, as a least squares fit is to take them.
    values : ndarray, shape (K,)
        Entries of the Jacobian there, times the roots of the pixels' weights.
    root : ndarray, shape (P,)
        Roots of the pixels' weights, which are inverse variances.
    """

    problem: Problem
    theta: Array
    matrix: Array
    vector: Array
    state: State
    residual: Array
    values: Single
    root: Array

    def weighing(self, factor: float) -> Evidence:
        """Give the same with every pixel's weight times ``factor``."""
        times = math.sqrt(factor)
        single = np.float32(times)
        return replace(
            self,
            matrix=self.matrix * factor,
            vector=self.vector * factor,
            values=self.values * single,
            root=self.root * times,
        )

    def posterior(self, precisions: Precisions, before: Array | None = None, factor: Factor | None = None) -> Posterior:
        """Add the priors; ``before`` (Q,) is the step that led here, if that matters.

        ``factor`` is that of the Hessian, where it is known already.

        Raises
        ------
        numpy.linalg.LinAlgError
            If pixels and priors together do not determine the parameters.
        """
        hessian, pull = self._with_priors(precisions)
        along = np.zeros_like(pull) if before is None else hessian @ before
        if factor is None:
            try:
                factor = Factor(hessian, own=True)
            except np.linalg.LinAlgError:
                factor = Factor(self._with_priors(precisions)[0], _DAMPING * self.matrix.diagonal())
        return Posterior(self.vector - pull, factor, along)

    def _with_priors(self, precisions: Precisions) -> tuple[Array, Array]:
        """Hessian (Q, Q) of minus the log posterior, and the gradient (Q,) of minus the log prior."""
        problem, hessian = self.problem, self.matrix.copy()
        layout, numbers = problem.layout, problem.options.priors
        pull = add_prior(
            hessian, self.theta, problem.limbs, problem.bending, layout, problem.plane, precisions, numbers
        )
        return hessian, pull

    def all_learned(self, precisions: Precisions, hidden: Sequence[float]) -> Precisions:
        """Take one step of the fixed point; ``hidden`` as in `limb_precisions`."""
        problem, layout = self.problem, self.problem.layout
        here = self.posterior(precisions)
        theta = bounded(self.theta + limited(here.factor.solve(here.gradient), layout), layout, problem.widest)
        root = here.factor.root()
        ground = ground_precision(theta[layout.ground], root[:, layout.ground], problem.plane, precisions.ground)
        learned = limb_precisions(theta, root, problem.limbs, problem.bending, layout, precisions, hidden)
        return replace(learned, ground=ground)

    def limbs_learned(
        self, precisions: Precisions, hidden: Sequence[float], rounds: int
    ) -> tuple[Precisions, Factor | None]:
        """Take ``rounds`` steps for everything but the background.

        After several of them narrowings that smoothness hides are looked for, and given a chance. The second result is
        the factor of the posterior's Hessian with these precisions; None where one has to be looked for.
        """
        start = self.problem.layout.ground.stop
        hessian, pull = self._with_priors(precisions)
        try:
            eliminated = Elimination(hessian, start)
        except np.linalg.LinAlgError:
            hessian[np.diag_indices_from(hessian)] += _DAMPING * self.matrix.diagonal()
            eliminated = Elimination(hessian, start)
        vector = eliminated.reduced(self.vector - pull)
        reduced = _Reduced.of(self.problem, self.theta[start:], eliminated.rest, vector, precisions)
        learned = reduced.learned(precisions, hidden, rounds)
        if rounds > 1:
            looser = reduced.loosened(learned, hidden)
            if looser is not None:
                learned = reduced.learned(looser, hidden, _ROUNDS_AGAIN)
        # what belongs to the background stays the same
        rest = reduced.factor(learned)
        return learned, None if rest is None else eliminated.factor(rest)


@dataclass(frozen=True, slots=True)
class _Reduced:
    """What the pixels say with the background eliminated, R parameters.

    ``theta`` (R,) is the place, ``pixels`` (R, R) and ``vector`` (R,) the Hessian of minus the logarithm of all but the
    belief in smoothness and the gradient of that logarithm, ``damping`` (R,) what a step without solution gets.
    """

    problem: Problem
    layout: Layout
    theta: Array
    pixels: Array
    vector: Array
    damping: Array

    @classmethod
    def of(cls, problem: Problem, theta: Array, told: Array, vector: Array, precisions: Precisions) -> _Reduced:
        """Take the belief in smoothness out of a posterior's normal equations, which are written over."""
        layout = problem.layout.without_ground()
        smooth = np.zeros_like(told)
        vector += add_smoothness(smooth, theta, problem.bending, layout, precisions)
        told -= smooth
        beliefs = np.zeros_like(told)
        add_beliefs(beliefs, theta, problem.limbs, layout, problem.options.priors)
        return cls(problem, layout, theta, told, vector, _DAMPING * (told.diagonal() - beliefs.diagonal()))

    def learned(self, precisions: Precisions, hidden: Sequence[float], rounds: int) -> Precisions:
        """Take ``rounds`` steps of the fixed point."""
        problem, layout = self.problem, self.layout
        for _ in range(rounds):
            factor, step = self._step(precisions)
            there = bounded(self.theta + limited(step, layout), layout, problem.widest)
            root = factor.root()
            precisions = limb_precisions(there, root, problem.limbs, problem.bending, layout, precisions, hidden)
        return precisions

    def loosened(self, precisions: Precisions, hidden: Sequence[float]) -> Precisions | None:
        """Precisions that allow the narrowings that the pixels ask for; None where they ask for none."""
        factor, step = self._step(precisions)
        pull = self.vector - self.pixels @ step
        asked = asked_for(self.pixels, pull, factor, self.problem.limbs, self.layout, hidden)
        if all(power is None for power in asked):
            return None
        r = tuple(
            old if power is None else 1 / np.maximum(1 / old, power)
            for old, power in zip(precisions.r, asked, strict=True)
        )
        return replace(precisions, r=r)

    def factor(self, precisions: Precisions) -> Factor | None:
        """Factor of the Hessian of all; None where that is not positive definite."""
        try:
            return Factor(self._with_smoothness(precisions)[0], own=True)
        except np.linalg.LinAlgError:
            return None

    def _step(self, precisions: Precisions) -> tuple[Factor, Array]:
        """Factor of the Hessian of all, and the step to its maximum, (R,)."""
        hessian, pull = self._with_smoothness(precisions)
        try:
            factor = Factor(hessian, own=True)
        except np.linalg.LinAlgError:
            factor = Factor(self._with_smoothness(precisions)[0], self.damping)
        return factor, factor.solve(self.vector - pull)

    def _with_smoothness(self, precisions: Precisions) -> tuple[Array, Array]:
        """Hessian (R, R) of minus the logarithm of all, and the gradient (R,) of that of the belief in smoothness."""
        hessian = self.pixels.copy()
        return hessian, add_smoothness(hessian, self.theta, self.problem.bending, self.layout, precisions)
