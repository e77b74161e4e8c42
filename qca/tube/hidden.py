"""Narrowings that a fit may still hide: what the pixels ask for at its end, and the belief in smoothness forbids.

As in :mod:`qca.tube.overlooked`, but at the maximum, where the pixels' pull on the radii is what the belief in
smoothness holds against it, so that all follows from the covariance: with ``L`` the precision matrix of that belief,
``C`` the covariance of the radii ``r`` and ``b`` a narrowing::

    q = -b' L r        s = b' (L - L C L) b        amplitude q / s, its SD 1 / sqrt(s)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qca.tube.band import Array
from qca.tube.fitted import JointFit, stiffness
from qca.tube.overlooked import narrowings


@dataclass(frozen=True, slots=True)
class Hidden:
    """Narrowings that were tried on one limb, K of them.

    Parameters
    ----------
    shapes : ndarray, shape (count, K)
        Coefficients of the radius' spline, 1 in the middle of a narrowing.
    middle : ndarray, shape (K,)
        Arc length of the middle, px.
    amplitude, sd : ndarray, shape (K,)
        By how much the pixels would have the radius smaller there if smoothness did not count, and its SD, px.
    """

    shapes: Array
    middle: Array
    amplitude: Array
    sd: Array


def hidden_narrowings(fit: JointFit, i: int, first: float) -> Hidden:
    """Ask what narrowings limb ``i`` may hide from arc length ``first``, px, on.

    Parameters
    ----------
    fit : JointFit
        The final fit.
    i : int
        Which of its limbs.
    first : float
        Arc length from which on the limb is seen, px.

    Returns
    -------
    Hidden
        All that were tried.
    """
    limb, part = fit.limbs[i], fit.layout.r[i]
    precisions = fit.shared.precisions
    assert precisions is not None  # noqa: S101 - set by every fit
    spacing = limb.r_spline.spacing
    shapes, middle = narrowings(part.stop - part.start, int(first / spacing) + 1, int(limb.end / spacing) + 1)
    held = stiffness(precisions.r[i]) @ shapes
    pull = -held.T @ fit.theta[part]
    told = np.einsum("ij,ij->j", shapes, held) - np.einsum("ij,ij->j", held, fit.covariance[part, part] @ held)
    told = np.maximum(told, 1e-12)
    # the first coefficient lies before the spline's start
    return Hidden(shapes, spacing * (middle - 1), pull / told, 1 / np.sqrt(told))
