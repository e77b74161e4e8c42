"""What is believed before looking at the pixels, and how the pixels set its strength.

All priors are normal. Radii and centrelines are smooth (second differences of their spline coefficients are small),
contrast changes slowly, the background is smooth. How smooth is not typed in: the precisions follow from the evidence by
MacKay's fixed point (MacKay DJC, Neural Computation 1992;4:415-447). The precision of the radius' second differences
varies along a limb, because a vessel is smooth nearly everywhere and bends sharply in a lesion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.plane import Plane

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PriorNumbers:
    """Priors of the shared parameters and limits of the learned ones; lengths in px.

    Blur: 0.15-0.3 mm on pixels of 0.14-0.26 mm. Bending: 0.05-0.25 per mm of contrast, less with scatter, zero for a
    logarithmic scale. Own choice from that, loose.
    """

    log_sigma: float = 0.0
    log_sigma_sd: float = 0.5
    bend: float = 0.015
    bend_sd: float = 0.02
    gain_level_sd: float = 0.05
    meeting_tie_px: float = 0.05
    meeting_sd_px: float = 5.0


@dataclass(frozen=True, slots=True)
class Precisions:
    """Learned precisions: ``r`` one array per limb (second differences), ``e``, ``g``, ``ground`` shared."""

    r: tuple[Array, ...]
    e: float
    g: float
    ground: float


_R_START = 0.003
_E_START = 0.0005
"""Power of the second derivative at the start, 1/px: a lesion's and a gently curved vessel's."""
_G_START_SD = 0.02
_KERNEL = np.array([0.25, 0.5, 1.0, 0.5, 0.25])
_R_FLOOR = 2e-6
_R_CEIL = 0.05


def first_precisions(limbs: Sequence[Limb], noise: float) -> Precisions:
    """Loose precisions to start from; ``noise`` is the SD of the grey values."""
    r = tuple(np.full(limb.r_spline.count - 2, 1 / (_R_START * limb.r_spline.spacing**3)) for limb in limbs)
    return Precisions(r, 1 / (_E_START * limbs[0].e_spline.spacing**3), 1 / _G_START_SD**2, 1 / (3 * noise) ** 2)


def second_difference(count: int) -> Array:
    """Matrix of second differences, shape (count - 2, count)."""
    return np.diff(np.eye(count), 2, axis=0)


def bending_of(limb: Limb) -> Array:
    """Curvature of the base curve at the offset spline's knots times the knot spacing squared."""
    h = limb.e_spline.spacing
    at = np.arange(limb.e_spline.count - 2) * h
    return np.interp(at, limb.curve.position, limb.curve.curvature) * h * h


def prior_terms(
    theta: Array, limbs: Sequence[Limb], layout: Layout, plane: Plane, precisions: Precisions, numbers: PriorNumbers
) -> tuple[Array, Array]:
    """Hessian (Q, Q) and gradient (Q,) of minus the log prior at ``theta``."""
    hessian = np.zeros((layout.size, layout.size))
    gradient = np.zeros(layout.size)

    def add(part: slice, matrix: Array, pull: Array) -> None:
        hessian[part, part] += matrix
        gradient[part] += pull

    for i, limb in enumerate(limbs):
        d = second_difference(limb.r_spline.count)
        k = d.T @ (precisions.r[i][:, None] * d)
        add(layout.r[i], k, k @ theta[layout.r[i]])
        d = second_difference(limb.e_spline.count)
        k = precisions.e * d.T
        add(layout.e[i], k @ d, k @ (d @ theta[layout.e[i]] + bending_of(limb)))
        n = limb.g_spline.count
        d = np.diff(np.eye(n), axis=0)
        k = precisions.g * d.T @ d + np.ones((n, n)) / (n * numbers.gain_level_sd) ** 2
        add(layout.g[i], k, k @ theta[layout.g[i]])
    for at, mean, sd in (
        (layout.bend, numbers.bend, numbers.bend_sd),
        (layout.log_sigma, numbers.log_sigma, numbers.log_sigma_sd),
    ):
        hessian[at, at] += 1 / sd**2
        gradient[at] += (theta[at] - mean) / sd**2
    k = precisions.ground * plane.penalty
    add(layout.ground, k, k @ theta[layout.ground])
    if layout.meeting.stop > layout.meeting.start:
        _tie_limbs(hessian, gradient, theta, limbs, layout, numbers)
    return hessian, gradient


def _tie_limbs(
    hessian: Array, gradient: Array, theta: Array, limbs: Sequence[Limb], layout: Layout, numbers: PriorNumbers
) -> None:
    """All centrelines start at the one branching point, which may move."""
    for i, limb in enumerate(limbs):
        row = np.zeros(layout.size)
        cell, basis = limb.e_spline.basis(np.zeros(1))
        start = layout.e[i].start + int(cell[0])
        row[start : start + 4] = basis[0]
        row[layout.meeting] = -limb.curve.normal[0]
        hessian += np.outer(row, row) / numbers.meeting_tie_px**2
        gradient += row * float(row @ theta) / numbers.meeting_tie_px**2
    part = layout.meeting
    hessian[part, part] += np.eye(2) / numbers.meeting_sd_px**2
    gradient[part] += theta[part] / numbers.meeting_sd_px**2


def learned_precisions(
    theta: Array, covariance: Array, limbs: Sequence[Limb], layout: Layout, plane: Plane, old: Precisions
) -> Precisions:
    """One step of MacKay's fixed point for all precisions.

    Parameters
    ----------
    theta : ndarray, shape (Q,)
        Parameters at the current maximum.
    covariance : ndarray, shape (Q, Q)
        Inverse Hessian there.
    limbs, layout, plane, old
        The problem and the precisions used for it.

    Returns
    -------
    Precisions
        ``sum of squares / well-determined number`` inverted, pooled over neighbouring knots for the radius.
    """
    r = []
    for i, limb in enumerate(limbs):
        d2, known = _squares(theta[layout.r[i]], covariance[layout.r[i], layout.r[i]], old.r[i])
        floor, ceil = _R_FLOOR * limb.r_spline.spacing**3, _R_CEIL * limb.r_spline.spacing**3
        # the limb's typical smoothness stands in where a knot's neighbourhood says little
        typical = float(np.clip(np.median(d2) / max(float(np.median(known)), 0.02), floor, ceil))
        top = np.convolve(d2, _KERNEL, "same") + 0.5 * typical
        bottom = np.convolve(known, _KERNEL, "same") + 0.5
        r.append(1 / np.clip(top / bottom, floor, ceil))
    top = bottom = 0.0
    for i, limb in enumerate(limbs):
        part = layout.e[i]
        n = limb.e_spline.count
        d = second_difference(n)
        v = d @ theta[part] + bending_of(limb)
        s = np.einsum("ij,jk,ik->i", d, covariance[part, part], d)
        top += float((v * v).sum())
        bottom += float(np.clip(1 - old.e * s, 0.02, 1).sum())
    e = bottom / max(top, 1e-4 * bottom)
    top = bottom = 0.0
    for i, limb in enumerate(limbs):
        part = layout.g[i]
        d = np.diff(np.eye(limb.g_spline.count), axis=0)
        v = d @ theta[part]
        s = np.einsum("ij,jk,ik->i", d, covariance[part, part], d)
        top += float((v * v + s).sum())
        bottom += len(v)
    g = 1 / float(np.clip((top + 4 * 0.01**2) / (bottom + 4), 1e-6, 0.05**2))
    part = layout.ground
    roughness = float(theta[part] @ plane.penalty @ theta[part])
    known_ground = plane.rank - old.ground * float(np.einsum("ij,ji->", covariance[part, part], plane.penalty))
    ground = float(np.clip(max(known_ground, 1.0) / max(roughness, 1e-12), old.ground / 30, old.ground * 30))
    return Precisions(tuple(r), float(e), g, ground)


def _squares(values: Array, covariance: Array, precision: Array) -> tuple[Array, Array]:
    """Squared second differences and how far each is determined by the pixels (0 to 1)."""
    d = second_difference(len(values))
    v = d @ values
    s = np.einsum("ij,jk,ik->i", d, covariance, d)
    return v * v, np.clip(1 - precision * s, 0.02, 1.0)
