"""One maximum-a-posteriori fit of all limbs of a vessel tree to the pixels of a frame.

Gauss-Newton steps on all parameters together with a Huber weight (Huber PJ, Ann Math Stat 1964;35:73-101); what is
predicted stands in :mod:`qca.tube.prediction`, the smoothness follows from the evidence (:mod:`qca.tube.priors`), the
noise from the residuals (:mod:`qca.tube.noise`). What it has found is a value of its own (:mod:`qca.tube.fitted`).

Axes: P pixels, Q parameters, L limbs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from qca.tube.band import Array, Mask
from qca.tube.confluence import mouths
from qca.tube.crossed import cross_in_depth
from qca.tube.evidence import Evidence
from qca.tube.fitted import JointFit
from qca.tube.limb import Limb
from qca.tube.noise import correlation_factor, noise_variance, typical_correlation
from qca.tube.options import FitOptions
from qca.tube.prediction import State
from qca.tube.priors import Precisions, first_precisions
from qca.tube.problem import Problem
from qca.tube.shared import Shared
from qca.tube.steps import bounded, limited, undoes
from qca.tube.wire import Wire
from qca.tube.wire_sight import seen_wires

_LEARNING: Mapping[int, int] = MappingProxyType({2: 1, 3: 1})
"""Before which steps of a first fit precisions are learned, and in how many rounds: patiently only in the end, when the
limbs are in their place."""
_LEARNING_AGAIN: Mapping[int, int] = MappingProxyType({2: 1, 3: 8})
"""The same for a fit to all pixels that carries on; later steps bring the parameters to rest. A rough one that carries
on learns nothing."""
_WIDER_CORE = 1.3
"""Factor on the core that is left out where the daughters cross in depth: their ends do not join in one plane."""
_SETTLED = 0.6
"""Gain in log posterior of a step that lands where it should: the next one would gain less than a hundredth of it."""


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
    wires: Sequence[Wire] = (),
) -> JointFit:
    """Fit limbs to the pixels around them.

    Gauss-Newton; precisions are learned anew before some of the steps, the noise before every third.

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
        Take every other pixel, and none where the daughters cross; otherwise those only if they look like one lumen.
    covariance : bool
        Whether it is needed; NaN without.
    wires : sequence of Wire
        In the limbs, with numbers to start from. Where there are none and all pixels take part, they are looked for
        if ``options`` say so.

    Returns
    -------
    JointFit
        Limbs on their base curves with fitted coefficients, and everything about the fit.

    Raises
    ------
    numpy.linalg.LinAlgError
        If pixels and priors together do not determine the parameters.
    """
    problem = Problem(image, limbs, options, shared, usable, core_px, thin=thin, wires=wires, crossed=not thin)
    state = problem.first
    if not thin and cross_in_depth(problem, state):
        core_px *= _WIDER_CORE
        problem = Problem(image, limbs, options, shared, usable, core_px, wires=wires, crossed=False)
        state = problem.first
    layout = problem.layout
    precisions = shared.precisions or first_precisions(problem.limbs, problem.noise)
    theta = problem.theta
    correlation, told = problem.correlation, False
    alone = np.full(len(problem.level), problem.noise**2)
    learning = _LEARNING if shared.precisions is None else {} if thin else _LEARNING_AGAIN
    hidden = mouths(limbs) if learning else []
    moved = np.zeros_like(theta)
    settled: Evidence | None = None
    for step_number in range(iterations):
        if step_number % 3 == 0 or step_number == iterations - 1:
            alone = _noise(problem, state)
            if step_number and not told:
                correlation, told = _correlation(problem, state, alone, typical_correlation), True
        evidence = _evidence(problem, theta, state, alone, correlation)
        factor = None
        if step_number in learning:
            # the background's smoothness is one number that is soon known, and the dearest to learn
            if step_number == min(learning):
                precisions = evidence.all_learned(precisions, hidden)
            else:
                precisions, factor = evidence.limbs_learned(precisions, hidden, learning[step_number])
        here = evidence.posterior(precisions, moved, factor)
        step = limited(here.factor.solve(here.gradient), layout)
        if undoes(step, moved, here.along):
            step *= 0.5
        before, theta = theta, bounded(theta + step, layout, problem.widest)
        moved = theta - before
        gain = 0.5 * float(moved @ here.gradient)
        state = problem.prediction.at(theta)
        if step_number > max(learning, default=iterations) and gain < _SETTLED:
            settled = evidence
            break
    return _result(problem, theta, state, precisions, settled, correlation, thin=thin, covariance=covariance)


def _noise(problem: Problem, state: State) -> Array:
    """Variance (P,) of single pixels' noise, by those that show it."""
    others = problem.censored.others
    model = others(state.model)
    at = None if model is state.model else state.model
    return noise_variance(others(problem.level) - model, model, problem.rounding, at)


def _correlation(problem: Problem, state: State, alone: Array, told_by: Callable[[Array, Array], float]) -> float:
    """By how much what neighbours share raises the noise's variance, by the pixels that show it."""
    others = problem.censored.others
    return told_by(others(problem.pixels), others((problem.level - state.model) / np.sqrt(alone)))


def _evidence(problem: Problem, theta: Array, state: State, alone: Array, correlation: float) -> Evidence:
    """Take what the pixels say, whose variance is ``correlation`` times what it is ``alone``, (P,)."""
    residual, part = problem.censored.told(problem.level - state.model, alone)
    variance = alone * correlation
    root = np.sqrt(part * _huber(residual, variance, problem.options.huber) / variance)
    values = problem.prediction.jacobian(state, root)
    matrix, vector = problem.prediction.pattern.normal(values, root * residual)
    return Evidence(problem, theta, matrix, vector, state, residual, values, root)


def _result(
    problem: Problem,
    theta: Array,
    state: State,
    precisions: Precisions,
    settled: Evidence | None,
    used: float,
    *,
    thin: bool,
    covariance: bool,
) -> JointFit:
    alone = _noise(problem, state)
    # SDs hold the model's own errors
    correlation = _correlation(problem, state, alone, correlation_factor) if covariance else used
    level = problem.censored.completed(problem.level, state.model)
    layout = problem.layout
    spread = np.full((layout.size, layout.size), np.nan)
    seen = None
    if covariance:
        start = layout.ground.stop
        spread[:start], spread[:, :start] = 0.0, 0.0
        if settled is None:
            evidence = _evidence(problem, theta, state, alone, correlation)
        else:
            # after a step that hardly moved the pixels say the same, but for how much neighbours share their noise
            evidence = settled.weighing(used / correlation)
        here = evidence.posterior(precisions)
        if problem.options.wires and not thin and not problem.threaded.wires:
            seen = seen_wires(evidence, here)
        spread[start:, start:] = here.factor.inverse(start)
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
        level=level,
        at_end=problem.censored.seen,
        shown=problem.censored.shown,
        model=state.model,
        background=state.ground,
        opacity=state.opacity,
        variance=alone,
        weight=_huber(level - state.model, alone * correlation, problem.options.huber),
        typical=used,
        curve=problem.options.priors.curve,
        base=problem.base,
        near=tuple(near.alongside() for near in problem.near),
        wires=problem.threaded.at(theta, layout),
        seen_wires=seen,
    )


def _huber(residual: Array, variance: Array, threshold: float) -> Array:
    z = np.abs(residual) / np.sqrt(variance)
    return np.asarray(np.minimum(1.0, threshold / np.maximum(z, 1e-9)))
