"""How smooth limbs and background are, learned from the pixels while a fit is under way.

The precisions follow from the evidence by a fixed point (:mod:`qca.tube.priors`) that creeps where the pixels say
little. What the pixels say is the same all the while: many of its steps can be taken on one set of normal equations,
with the background eliminated.

Axes: Q parameters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from qca.tube.band import Array
from qca.tube.normal import Factor
from qca.tube.priors import Precisions, add_beliefs, add_prior, add_smoothness, ground_precision, limb_precisions
from qca.tube.problem import Problem
from qca.tube.steps import bounded, limited

_DAMPING = 1e-3
"""Of a step that has no solution otherwise, as a part of what the pixels tell of a parameter."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """A normal approximation of what pixels and priors say together.

    Parameters
    ----------
    hessian : ndarray, shape (Q, Q)
        Of minus its logarithm.
    gradient : ndarray, shape (Q,)
        Of its logarithm.
    factor : Factor
        Of the Hessian.
    """

    hessian: Array
    gradient: Array
    factor: Factor


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
    """

    problem: Problem
    theta: Array
    matrix: Array
    vector: Array

    def posterior(self, precisions: Precisions) -> Posterior:
        """Add the priors.

        Raises
        ------
        numpy.linalg.LinAlgError
            If pixels and priors together do not determine the parameters.
        """
        problem, hessian = self.problem, self.matrix.copy()
        pull = add_prior(
            hessian, self.theta, problem.limbs, problem.layout, problem.plane, precisions, problem.options.priors
        )
        return Posterior(hessian, self.vector - pull, _factor(hessian, self.matrix.diagonal()))

    def all_learned(self, precisions: Precisions, hidden: Sequence[float]) -> Precisions:
        """Take one step of the fixed point; ``hidden`` as in `limb_precisions`."""
        problem, layout = self.problem, self.problem.layout
        here = self.posterior(precisions)
        theta = bounded(self.theta + limited(here.factor.solve(here.gradient), layout), layout, problem.widest)
        root = here.factor.root()
        ground = ground_precision(theta[layout.ground], root[:, layout.ground], problem.plane, precisions.ground)
        learned = limb_precisions(theta, root, problem.limbs, layout, precisions, hidden)
        return replace(learned, ground=ground)

    def limbs_learned(self, precisions: Precisions, hidden: Sequence[float], rounds: int) -> Precisions:
        """Take ``rounds`` steps for everything but the background."""
        problem, start = self.problem, self.problem.layout.ground.stop
        layout, theta, numbers = problem.layout.without_ground(), self.theta[start:], problem.options.priors
        here = self.posterior(precisions)
        told, vector = here.factor.reduced(here.gradient, start)
        # what the pixels say, by itself and with what is not learned
        smooth = np.zeros_like(told)
        vector += add_smoothness(smooth, theta, problem.limbs, layout, precisions)
        told -= smooth
        beliefs = np.zeros_like(told)
        add_beliefs(beliefs, theta, problem.limbs, layout, numbers)
        pixels = told.diagonal() - beliefs.diagonal()
        for _ in range(rounds):
            hessian = told.copy()
            pull = add_smoothness(hessian, theta, problem.limbs, layout, precisions)
            factor = _factor(hessian, pixels)
            there = bounded(theta + limited(factor.solve(vector - pull), layout), layout, problem.widest)
            precisions = limb_precisions(there, factor.root(), problem.limbs, layout, precisions, hidden)
        return precisions


def _factor(hessian: Array, pixels: Array) -> Factor:
    """Cholesky factor of a Hessian, damped only where it is not positive definite by itself.

    ``pixels`` (Q,) is the diagonal of what the pixels tell.
    """
    try:
        return Factor(hessian)
    except np.linalg.LinAlgError:
        return Factor(hessian, _DAMPING * pixels)
