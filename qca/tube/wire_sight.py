"""Where in the lumen a guide wire may lie, told by what a fit without it has left over.

A score test (Rao CR, Proc Camb Phil Soc 1948;44:50-57): the residuals are held against the shade that a wire would
cast, less what the fit's own parameters can take up of it. The wire is a second round thing inside the first, so much
of its shade is taken up, by contrast and radius of a thin limb nearly all; but a wire goes through the proximal limb
too, which is wide, and its area is the same there.

Axes: P pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qca.tube.band import Array
from qca.tube.evidence import Evidence, Posterior
from qca.tube.wire import Strand, Wire, shade

_PLACES = (-0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75)
"""Where across the lumen one is looked for; the fit finds the place itself from there."""
LEAST_TOLD = 1e-3
"""Least part of a shade's own information that is believed to be left."""
_LEAST_Z = 2.0
"""A place that less speaks for is no better than the axis."""


@dataclass(frozen=True, slots=True)
class SeenWires:
    """Where wires are likeliest, to start fits from.

    Parameters
    ----------
    ways : tuple of Wire
        The likeliest on each way: from the proximal limb into each daughter, or along a single limb.
    both : tuple of Wire
        The likeliest two together; empty for a single limb.
    z : float
        By how many SDs the residuals speak for the likeliest of all these.
    """

    ways: tuple[Wire, ...]
    both: tuple[Wire, ...]
    z: float


def seen_wires(evidence: Evidence, here: Posterior) -> SeenWires:
    """Look for wires on each way that one can take.

    Parameters
    ----------
    evidence : Evidence
        What the pixels say near the maximum of a fit without wires.
    here : Posterior
        The same with the priors.

    Returns
    -------
    SeenWires
        However little speaks for them.
    """
    problem = evidence.problem
    # single precision, as the products of the fit's own pixels
    n, count = len(_PLACES), len(problem.limbs)
    trials = np.zeros((len(problem.level), count * n), dtype=np.float32)
    for i in range(count):
        trials[problem.near[i].pixel, i * n : (i + 1) * n] = _trials(evidence, i)
    trials *= evidence.root.astype(np.float32)[:, None]
    taken = problem.prediction.pattern.cross(evidence.values, trials)
    # the last step is still to come: what it will take up is none of a wire's
    residual = (evidence.root * evidence.residual).astype(np.float32)
    score = (trials.T @ residual).astype(np.float64) - taken.T @ here.factor.solve(here.gradient)
    alone = (trials.T @ trials).astype(np.float64)
    half = here.factor.half(taken)
    told = alone - half.T @ half
    # of a shade that is taken up whole nothing can be said
    told[np.diag_indices_from(told)] = np.maximum(told.diagonal(), LEAST_TOLD * alone.diagonal() + 1e-12)
    lengths = [limb.curve.length for limb in problem.limbs]

    def wire(way: tuple[int, ...], at: int, area: float, z: float) -> Wire:
        places = np.unravel_index(at, (n,) * len(way))
        return Wire(
            area,
            tuple(
                Strand.along(i, lengths[i], _PLACES[k] if z > _LEAST_Z else 0.0)
                for i, k in zip(way, places, strict=True)
            ),
        )

    ways = [(0,)] if count == 1 else [(0, i) for i in range(1, count)]
    # rows: every choice of places on a way; ones where a strand's trial belongs to the wire
    members = [_choices(way, n, count) for way in ways]
    push = [its @ score for its in members]
    power = [
        np.maximum(np.einsum("ij,jk,ik->i", its, told, its), LEAST_TOLD * (its @ alone.diagonal()) + 1e-12)
        for its in members
    ]
    z = [p / np.sqrt(q) for p, q in zip(push, power, strict=True)]
    best = [int(np.argmax(one)) for one in z]
    most = max(float(one[k]) for one, k in zip(z, best, strict=True))
    single = tuple(
        wire(way, k, float(p[k] / q[k]), float(s[k]))
        for way, k, p, q, s in zip(ways, best, push, power, z, strict=True)
    )
    if count == 1:
        return SeenWires(single, (), most)
    # two wires with an area each
    shared = members[0] @ told @ members[1].T
    first, second = push[0][:, None], push[1][None, :]
    own, other = power[0][:, None], power[1][None, :]
    determinant = np.maximum(own * other - shared**2, LEAST_TOLD * own * other)
    a, b = (other * first - shared * second) / determinant, (own * second - shared * first) / determinant
    gain = np.where((a > 0) & (b > 0), a * first + b * second, 0.0)
    k, m = (int(i) for i in np.unravel_index(np.argmax(gain), gain.shape))
    together = float(np.sqrt(gain[k, m]))
    both = (wire(ways[0], k, float(a[k, m]), together), wire(ways[1], m, float(b[k, m]), together))
    return SeenWires(single, both, max(most, together))


def _choices(way: tuple[int, ...], n: int, count: int) -> Array:
    """All choices of one of ``n`` places in each limb of ``way``, (n ** len(way), count * n), one where chosen."""
    places = np.array(list(np.ndindex(*(n,) * len(way))))
    out = np.zeros((len(places), count * n))
    for column, limb in zip(places.T, way, strict=True):
        out[np.arange(len(places)), limb * n + column] += 1
    return out


def _trials(evidence: Evidence, i: int) -> Array:
    """Grey levels per px^2 of wire in limb ``i`` at each of the places, (N, places), at the N pixels near it."""
    problem, state = evidence.problem, evidence.state
    near, limb, layout = problem.near[i], problem.limbs[i], problem.layout
    r = limb.r_spline.values(near.s, evidence.theta[layout.r[i]])
    x = near.x - limb.e_spline.values(near.s, evidence.theta[layout.e[i]])
    on = near.behind >= 0
    curve = problem.options.priors.curve
    passed = (state.contrast * (1 - (state.bend + curve) * state.opacity) * (1 + curve * state.opacity))[near.pixel]
    cast = shade(x[:, None], r[:, None], np.array(_PLACES), on[:, None], 1.0, state.sigma)
    return np.asarray(-passed[:, None] * cast.value)
