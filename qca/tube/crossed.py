"""Whether two daughters cross in depth.

In one plane the lumens of two daughters are one where they overlap, and a ray crosses their union. Where they leave the
plane of the image to different sides, one passes before the other and their chords add up: the overlap is darker than
any union, and a fit that knows only unions explains that with a branching point further on.
"""

from __future__ import annotations

import math

import numpy as np

from qca.tube.prediction import State
from qca.tube.problem import Problem

_LEAST, _LEAST_SD = 0.1, 4.0
"""Part of the overlapping chords that is seen twice, and its SDs, from which on daughters cross in depth. Phantoms that
branch in the plane of the image stay under both together."""
_LEAST_OVERLAP = 1e-3
"""Of two chords, px."""


def cross_in_depth(problem: Problem, state: State) -> bool:
    """Tell whether the overlap of the two daughters is darker than their union.

    Parameters
    ----------
    problem : Problem
        A fit about to begin at limbs that were found without the overlap's pixels.
    state : State
        What is predicted there.

    Returns
    -------
    bool
        False for a single limb.
    """
    if len(problem.near) < 3:
        return False
    each = np.zeros((2, len(problem.level)))
    first = len(problem.near[0].pixel)
    for daughter, near in zip(each, problem.near[1:], strict=True):
        daughter[near.pixel] = state.own.value[first : first + len(near.pixel)]
        first += len(near.pixel)
    # what a sum of chords has more than their union
    both = np.flatnonzero(np.min(each, axis=0) > _LEAST_OVERLAP)
    more = np.maximum(each[:, both].sum(axis=0) - state.opacity[both], 0.0) * state.contrast[both]
    known = float(more @ more)
    if known <= 0:
        return False
    level = problem.censored.completed(problem.level, state.model)
    part = float(more @ (state.model - level)[both]) / known
    sd = problem.noise * math.sqrt(problem.correlation / known)
    return part > max(_LEAST, _LEAST_SD * sd)
