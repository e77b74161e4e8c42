"""How smooth limbs and background are, learned from the evidence.

MacKay's fixed point (MacKay DJC, Neural Computation 1992;4:415-447) for the precisions of :mod:`qca.tube.priors`. That
of the radius' and the centreline's second differences varies along a limb.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from qca.tube.layout import Layout
from qca.tube.limb import Limb, healthy_part
from qca.tube.median import median
from qca.tube.plane import Plane
from qca.tube.priors import Precisions

Array = npt.NDArray[np.float64]

_KERNEL = np.array([0.3, 0.5, 0.7, 0.9, 1.0, 0.9, 0.7, 0.5, 0.3])
"""Weights of neighbouring knots in a local precision: about 8 knots, the length of a lesion's flank."""
_LEAST_PART = 0.05
"""No stretch of a limb is believed smoother than this part of its liveliest one: a second lesion may hide in noise."""
_TURN_RADII, _HIDDEN_RADII = 6.0, 1.0
"""Radii over which a limb's curvature at its mouth is averaged, and those beyond the mouth up to which the centreline
is as smooth as is typical: in the others' shadow hardly more of it is seen than under them."""
_FLOOR, _CEIL = 2e-6, 1.0
"""Least and largest power of a second derivative that is believed, 1/px. The largest is a wall that turns by 45 degrees
within a pixel: where abrupt lesions met 0.05, their flanks were drawn out and their throats filled."""


def limb_precisions(
    theta: Array,
    root: Array,
    limbs: Sequence[Limb],
    bending: Sequence[Array],
    layout: Layout,
    old: Precisions,
    hidden: Sequence[float],
) -> Precisions:
    """One step of MacKay's fixed point for everything but the background.

    Parameters
    ----------
    theta : ndarray, shape (Q,)
        Parameters at the current maximum.
    root : ndarray, shape (Q, Q)
        Lower triangular root of the inverse Hessian there, ``root.T @ root``.
    limbs, bending, layout, old
        The problem as in `add_prior` and the precisions used for it.
    hidden : sequence of float
        How much of each limb's start lies in the other limbs, px: nothing tells there how its centreline bends, so it
        goes on as it comes from outside, as smoothly as is typical of the limb.

    Returns
    -------
    Precisions
        ``sum of squares / well-determined number`` inverted, pooled over neighbouring knots for the radius.
    """
    r, e, turns = [], [], []
    for i, limb in enumerate(limbs):
        part = layout.r[i]
        r.append(_local(theta[part], 0.0, _spread(root, part, 2), old.r[i], limb.r_spline.spacing))
        part = layout.e[i]
        spacing = limb.e_spline.spacing
        radius = limb.r_spline.values(spacing * np.arange(limb.e_spline.count - 2.0), theta[layout.r[i]])
        mean = float(theta[layout.r[i]].mean())
        unseen = int((hidden[i] + _HIDDEN_RADII * mean) // spacing) if hidden[i] else 0
        turn = _turn(theta[part], bending[i], old.e[i], radius, unseen, _TURN_RADII * mean / spacing)
        e.append(_local(theta[part], bending[i] - turn, _spread(root, part, 2), old.e[i], spacing, unseen))
        turns.append(turn)
    top = bottom = 0.0
    for part in layout.g:
        v = np.diff(theta[part])
        top += float(v @ v + _spread(root, part, 1).sum())
        bottom += len(v)
    g = 1 / float(np.clip((top + 4 * 0.01**2) / (bottom + 4), 1e-6, 0.05**2))
    return replace(old, r=tuple(r), e=tuple(e), g=g, turn=tuple(turns))


def _spread(root: Array, part: slice, order: int) -> Array:
    """Variances of the differences of neighbouring coefficients in one part of the parameters."""
    # a triangle has nothing over its diagonal
    d = root[part.start :, part]
    for _ in range(order):
        d = d[:, 1:] - d[:, :-1]
    return np.asarray(np.einsum("ij,ij->j", d, d))


def ground_precision(coefficients: Array, root: Array, plane: Plane, old: float) -> float:
    """One step of the same for the background.

    Parameters
    ----------
    coefficients : ndarray, shape (plane.count,)
        The background's.
    root : ndarray, shape (Q, plane.count)
        Their columns of the root of the covariance, ``root.T @ root``.
    plane : Plane
        The background.
    old : float
        The precision used for them, 1/grey level^2.

    Returns
    -------
    float
        The next, 1/grey level^2.
    """
    roughness = float(coefficients @ plane.penalty @ coefficients)
    known = plane.rank - old * float(np.vdot(root.T @ root, plane.penalty))
    return float(np.clip(max(known, 1.0) / max(roughness, 1e-12), old / 30, old * 30))


def _local(
    values: Array, offset: Array | float, spread: Array, precision: Array, spacing: float, unseen: int = 0
) -> Array:
    """Learn one spline's precisions of second differences (plus ``offset``) of variance ``spread``.

    Pooled over neighbouring knots; the first ``unseen`` ones get what is typical of the others.
    """
    square = (values[:-2] - 2 * values[1:-1] + values[2:] + offset) ** 2
    # how far each difference is determined by the pixels, 0 to 1
    known = np.minimum(np.maximum(1 - precision * spread, 0.02), 1.0)
    floor, ceil = _FLOOR * spacing**3, _CEIL * spacing**3
    # the limb's typical smoothness stands in where a knot's neighbourhood says little
    typical = min(max(median(square) / max(median(known), 0.02), floor), ceil)
    top = _pooled(square) + 0.5 * typical
    bottom = _pooled(known) + 0.5
    power = np.minimum(np.maximum(top / bottom, floor), ceil)
    power = np.maximum(power, _LEAST_PART * power.max())
    power[:unseen] = typical
    return np.asarray(1 / power)


def _turn(values: Array, bending: Array, precision: Array, radius: Array, unseen: int, reach: float) -> Array:
    """Second differences with which a limb's hidden start goes on: those of its first healthy stretch.

    Parameters
    ----------
    values, bending : ndarray, shape (count,), (count - 2,)
        The offset spline's coefficients, and the second differences of the base curve, px.
    precision, radius : ndarray, shape (count - 2,)
        Precisions of the second differences, 1/px^2, and the radius there, px.
    unseen : int
        How many of them are hidden.
    reach : float
        Knots over which those that are seen count less and less.

    Returns
    -------
    ndarray, shape (count - 2,)
        px; zero beyond the hidden ones, and everywhere where nothing is left to be seen.
    """
    turn = np.zeros(len(bending))
    if 0 < unseen < len(turn) - 2:
        seen = (values[:-2] - 2 * values[1:-1] + values[2:] + bending)[unseen:]
        weight = precision[unseen:] * np.exp(-np.arange(len(seen)) / reach)
        # a lesion's swerve tells nothing of the vessel's curvature
        told = weight * healthy_part(radius[unseen:])
        turn[:unseen] = float(told @ seen) / float(told.sum())
    return turn


def _pooled(values: Array) -> Array:
    """Sum over neighbouring knots; as many as there are values, also where they are fewer than the kernel's weights."""
    half = len(_KERNEL) // 2
    return np.convolve(values, _KERNEL)[half : half + len(values)]
