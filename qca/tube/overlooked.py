"""Narrowings that the belief in smoothness hides: where the pixels ask for one that the learned precisions forbid.

Smoothness that is learned can be caught in its own result: once a limb is taken for straight, a moderate lesion moves
too little to be learned of again, while its contribution to the likelihood is still there. For one more narrowing of a
given shape ``b`` beside the smooth radius the evidence is known at once (Tipping ME, Faul AC, Fast marginal likelihood
maximisation for sparse Bayesian models, Proc AISTATS 2003; from memory)::

    q = b' g        s = b' (A - A H^-1 A) b        z = q / sqrt(s)

with ``A`` the Hessian of all but the belief in smoothness, ``H`` that of all, and ``g`` the pull of the former at the
maximum of the latter. Any ``z`` over 1 raises the evidence; among as many places and lengths as are tried here, 2.6 do.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from qca.tube.band import Array
from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.normal import Factor

_ASKED_FOR = 2.6
"""SDs from which a narrowing counts: z^2/2 pays for about 30 places and lengths that can be told apart on a limb. Two
of the 78 healthy limbs of `random_bifurcation` 1 to 60 reached it, none 2.9."""
_LENGTHS = (8, 13, 20)
"""Whole lengths of the narrowings that are tried, knots: about 4, 6.5 and 10 mm at 0.2 mm per px."""
_PER_LENGTH = 4
"""Places that are tried per length."""
_LOOSER = 3.0
"""How much more than the narrowing's own mean square second difference is believed in its place."""


def asked_for(
    pixels: Array,
    pull: Array,
    factor: Factor,
    limbs: Sequence[Limb],
    layout: Layout,
    hidden: Sequence[float],
) -> list[Array | None]:
    """Find the narrowing that the pixels ask for most, on each limb.

    Parameters
    ----------
    pixels : ndarray, shape (Q, Q)
        Hessian of minus the logarithm of all but the belief in smoothness.
    pull : ndarray, shape (Q,)
        Gradient of that logarithm at the maximum of all.
    factor : Factor
        Of the Hessian of all.
    limbs, layout, hidden
        As in `qca.tube.smoothness.limb_precisions`.

    Returns
    -------
    list of ndarray, shape (count - 2,), or None
        For each limb the least power, px^2, that second differences of the radius must be allowed, zero where nothing
        is asked for; None where nothing is anywhere.
    """
    found: list[Array | None] = []
    for i, limb in enumerate(limbs):
        part, spacing = layout.r[i], limb.r_spline.spacing
        shapes, _ = narrowings(part.stop - part.start, int(hidden[i] / spacing) + 1, int(limb.end / spacing) + 1)
        across = pixels[:, part] @ shapes
        taken = factor.half(across)
        told = np.einsum("ij,ij->j", shapes, across[part]) - np.einsum("ij,ij->j", taken, taken)
        told = np.maximum(told, 1e-12 * float(np.abs(np.diagonal(pixels)).max()))
        asked = -(shapes.T @ pull[part])
        best = int(np.argmax(asked / np.sqrt(told)))
        if asked[best] < _ASKED_FOR * float(np.sqrt(told[best])):
            found.append(None)
            continue
        bent = np.diff(shapes[:, best] * asked[best] / told[best], 2)
        within = bent != 0
        found.append(within * _LOOSER * float(np.mean(bent[within] ** 2)))
    return found


@lru_cache(maxsize=64)
def narrowings(count: int, first: int, last: int) -> tuple[Array, Array]:
    """Give raised cosines of all lengths between two coefficients of a spline.

    Returns
    -------
    shapes : ndarray, shape (count, K)
        Coefficients, nearly 1 in the middle.
    middle : ndarray, shape (K,)
        Coefficient, as a real number, in the middle of each.
    """
    k, columns, middles = np.arange(count), [], []
    for length in _LENGTHS:
        middle = np.arange(first, max(last, first) + 1e-9, length / _PER_LENGTH)
        away = np.abs(k[:, None] - middle) / (length / 2)
        columns.append(np.where(away < 1, 0.5 * (1 + np.cos(np.pi * away)), 0.0))
        middles.append(middle)
    return np.hstack(columns), np.concatenate(middles)
