"""How smooth limbs and background are, learned from the pixels while a fit is under way.

The precisions follow from the evidence by a fixed point (:mod:`qca.tube.priors`) that creeps where the pixels say
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
from qca.tube.normal import Factor
from qca.tube.priors import Precisions, add_beliefs, add_prior, add_smoothness
from qca.tube.problem import Problem, Single, State
from qca.tube.smoothness import ground_precision, limb_precisions
from qca.tube.steps import bounded, limited

_DAMPING = 1e-3
"""Of a step that has no solution otherwise, as a part of what the pixels tell of a parameter."""


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

    def posterior(self, precisions: Precisions, before: Array | None = None) -> Posterior:
        """Add the priors; ``before`` (Q,) is the step that led here, if that matters.

        Raises
        ------
        numpy.linalg.LinAlgError
            If pixels and priors together do not determine the parameters.
        """
        hessian, pull = self._with_priors(precisions)
        along = np.zeros_like(pull) if before is None else hessian @ before
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

    def limbs_learned(self, precisions: Precisions, hidden: Sequence[float], rounds: int) -> Precisions:
        """Take ``rounds`` steps for everything but the background."""
        problem, start = self.problem, self.problem.layout.ground.stop
        layout, theta, numbers = problem.layout.without_ground(), self.theta[start:], problem.options.priors
        here = self.posterior(precisions)
        told, vector = here.factor.reduced(here.gradient, start)
        # what the pixels say, by itself and with what is not learned
        smooth = np.zeros_like(told)
        vector += add_smoothness(smooth, theta, problem.bending, layout, precisions)
        told -= smooth
        beliefs = np.zeros_like(told)
        add_beliefs(beliefs, theta, problem.limbs, layout, numbers)
        pixels = told.diagonal() - beliefs.diagonal()
        for _ in range(rounds):
            hessian = told.copy()
            pull = add_smoothness(hessian, theta, problem.bending, layout, precisions)
            try:
                factor = Factor(hessian)
            except np.linalg.LinAlgError:
                factor = Factor(hessian, _DAMPING * pixels)
            there = bounded(theta + limited(factor.solve(vector - pull), layout), layout, problem.widest)
            root = factor.root()
            precisions = limb_precisions(there, root, problem.limbs, problem.bending, layout, precisions, hidden)
        return precisions
