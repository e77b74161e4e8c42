"""What is believed before looking at the pixels.

Priors are normal, those of the parameters that all limbs share with wider tails. Radii and centrelines are smooth
(second differences of their spline coefficients are small), contrast changes slowly, the background is smooth. How
smooth is not typed in but learned (:mod:`qca.tube.smoothness`). The precision of the radius' second differences and the
centreline's second differences varies along a limb, because a vessel is smooth nearly everywhere, narrows sharply in a
lesion, and its lumen swerves in an eccentric one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.tube.layout import Layout
from qca.tube.limb import Limb
from qca.tube.plane import Plane
from qca.tube.spline import AT_START

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PriorNumbers:
    """Priors of the shared parameters and limits of the learned ones; lengths in px.

    Blur: 0.15-0.3 mm on pixels of 0.1-0.26 mm. Bending: 0.05-0.25 per mm of contrast, less with scatter, zero for a
    logarithmic scale, whose own ``curve`` over the chord, 1/px, takes it back. Contrast: ``log_k`` and its SD, log of
    grey levels per px; infinite SD where nothing is believed. Own choice from that, loose.
    """

    log_sigma: float = 0.1
    log_sigma_sd: float = 0.3
    log_k: float = 0.0
    log_k_sd: float = math.inf
    bend: float = 0.015
    bend_sd: float = 0.02
    curve: float = 0.0
    gain_level_sd: float = 0.05
    meeting_tie_px: float = 0.05
    meeting_sd_px: float = 5.0


@dataclass(frozen=True, slots=True)
class Precisions:
    """Learned precisions, inverse variances.

    ``r`` and ``e`` hold one array (count - 2,) per limb, for the second differences of radius and offset, 1/px^2; ``g``
    is for first differences of the log contrast, ``ground`` for the background's second differences, 1/grey level^2.
    ``turn`` holds one array (count - 2,) per limb: the second differences of the offset that are believed in, px.
    """

    r: tuple[Array, ...]
    e: tuple[Array, ...]
    g: float
    ground: float
    turn: tuple[Array, ...]


_R_START = 0.003
_E_START = 0.001
"""Power of the second derivative at the start, 1/px: a lesion's and a gently curved vessel's."""
_G_START_SD = 0.02
_FREEDOM = 5.0
"""Degrees of freedom of the priors of blur, contrast and bending and of a limb's contrast: beyond about 2 SDs they give
way, for there the belief itself is in doubt. A vessel may move while the catheter does not, a limb may fill badly."""
_WIRE_PLACE_SD, _WIRE_STEP_SD = 1.0, 0.25
"""Where a wire lies between axis and wall, and how far it moves there from one knot to the next; own choice, loose."""
_WIDE, _LEAST_MEAN, _DETERMINED = 2.5, 0.2, 0.5
"""A radius of this many blur SDs is told from its edges; the least mean radius, px, that is reckoned with; the largest
part of a radius' coefficients that the pixels determine."""


def first_precisions(limbs: Sequence[Limb], noise: float) -> Precisions:
    """Loose precisions to start from; ``noise`` is the SD of the noise in grey levels."""
    r = tuple(np.full(limb.r_spline.count - 2, 1 / (_R_START * limb.r_spline.spacing**3)) for limb in limbs)
    e = tuple(np.full(limb.e_spline.count - 2, 1 / (_E_START * limb.e_spline.spacing**3)) for limb in limbs)
    turn = tuple(np.zeros(limb.e_spline.count - 2) for limb in limbs)
    return Precisions(r, e, 1 / _G_START_SD**2, 1 / (3 * noise) ** 2, turn)


def bending_of(limb: Limb) -> Array:
    """Second differences, px, that the base curve itself makes at the offset spline's knots, shape (count - 2,)."""
    h = limb.e_spline.spacing
    at = np.arange(limb.e_spline.count - 2) * h
    return np.asarray(np.interp(at, limb.curve.position, limb.curve.curvature) * h * h, dtype=np.float64)


def add_prior(
    hessian: Array,
    theta: Array,
    limbs: Sequence[Limb],
    bending: Sequence[Array],
    layout: Layout,
    plane: Plane,
    precisions: Precisions,
    numbers: PriorNumbers,
) -> Array:
    """Add the Hessian of minus the log prior, in place, and give its gradient.

    Parameters
    ----------
    hessian : ndarray, shape (Q, Q)
        Of minus the log likelihood; afterwards of minus the log posterior.
    theta : ndarray, shape (Q,)
        Where.
    limbs, layout, plane : sequence of Limb, Layout, Plane
        The problem.
    bending : sequence of ndarray
        What `bending_of` gives for each limb.
    precisions : Precisions
        Learned strengths.
    numbers : PriorNumbers
        Fixed ones.

    Returns
    -------
    ndarray, shape (Q,)
        Gradient of minus the log prior, in the inverse units of ``theta``.
    """
    gradient = add_beliefs(hessian, theta, limbs, layout, numbers)
    gradient += add_smoothness(hessian, theta, bending, layout, precisions)
    k = precisions.ground * plane.penalty
    hessian[layout.ground, layout.ground] += k
    gradient[layout.ground] += k @ theta[layout.ground]
    return gradient


def add_smoothness(
    hessian: Array, theta: Array, bending: Sequence[Array], layout: Layout, precisions: Precisions
) -> Array:
    """Do the same as `add_prior` for what is learned of the limbs: differences of neighbouring coefficients are small.

    All limbs at once, along the diagonals of the Hessian.
    """
    size = layout.size
    second, first, own = np.zeros(size - 2), np.zeros(size - 1), np.zeros(size - 2)
    for i, (r, e, g) in enumerate(zip(layout.r, layout.e, layout.g, strict=True)):
        second[r.start : r.stop - 2] = precisions.r[i]
        second[e.start : e.stop - 2] = precisions.e[i]
        own[e.start : e.stop - 2] = bending[i] - precisions.turn[i]
        first[g.start : g.stop - 1] = precisions.g
    gradient = np.zeros(size)
    differences = theta[:-2] - 2 * theta[1:-1] + theta[2:] + own
    push = second * differences
    gradient[:-2] += push
    gradient[1:-1] -= 2 * push
    gradient[2:] += push
    for part in layout.r:
        d = differences[part.start : part.stop - 2]
        gradient[part] -= _against_shrinking(theta, layout, part, float(second[part.start : part.stop - 2] @ (d * d)))
    push = first * (theta[1:] - theta[:-1])
    gradient[:-1] -= push
    gradient[1:] += push
    flat = hessian.reshape(-1)
    diagonal = flat[:: size + 1]
    diagonal[:-2] += second
    diagonal[1:-1] += 4 * second
    diagonal[2:] += second
    diagonal[:-1] += first
    diagonal[1:] += first
    beside = -first
    beside[:-1] -= 2 * second
    beside[1:] -= 2 * second
    # over the diagonal and under it, one place away and two
    flat[1 :: size + 1][: size - 1] += beside
    flat[size :: size + 1] += beside
    flat[2 :: size + 1][: size - 2] += second
    flat[2 * size :: size + 1] += second
    return gradient


def _against_shrinking(theta: Array, layout: Layout, part: slice, rough: float) -> float:
    """Slope that keeps the belief in smoothness from making the thin lumen of ``part`` thinner.

    Of a lumen thinner than the blur only its area times the contrast is seen. A smaller radius with more contrast shows
    the same, and is smoother, for its unevenness shrinks with it; learned anew the belief grows, and so on to nothing.
    What is believed there is how smooth a radius is for its size. ``rough`` is the sum of its squared second
    differences times their precisions, as large as the number of them that the pixels determine.
    """
    radii = theta[part]
    mean = max(float(radii.mean()), _LEAST_MEAN)
    thin = math.exp(-((mean / math.exp(theta[layout.log_sigma]) / _WIDE) ** 2))
    return thin * min(rough, _DETERMINED * len(radii)) / (mean * len(radii))


def add_beliefs(hessian: Array, theta: Array, limbs: Sequence[Limb], layout: Layout, numbers: PriorNumbers) -> Array:
    """Do the same as `add_prior` for what is not learned: levels of contrast, blur, bending, a common start."""
    gradient = np.zeros(layout.size)
    for part in layout.g:
        n = part.stop - part.start
        level = float(theta[part].mean()) / numbers.gain_level_sd
        strength = _belief(level) / (n * numbers.gain_level_sd) ** 2
        hessian[part, part] += strength
        gradient[part] += strength * float(theta[part].sum())
    for part in layout.wire_f:
        # anywhere in the lumen, without haste
        d = np.diff(np.eye(part.stop - part.start), axis=0)
        k = d.T @ d / _WIRE_STEP_SD**2 + np.eye(part.stop - part.start) / _WIRE_PLACE_SD**2
        hessian[part, part] += k
        gradient[part] += k @ theta[part]
    for at, mean, sd in (
        (layout.bend, numbers.bend, numbers.bend_sd),
        (layout.log_sigma, numbers.log_sigma, numbers.log_sigma_sd),
        (layout.log_k, numbers.log_k, numbers.log_k_sd),
    ):
        away = (theta[at] - mean) / sd
        hessian[at, at] += _belief(away) / sd**2
        gradient[at] += _belief(away) * away / sd
    if layout.meeting.stop > layout.meeting.start:
        _tie_limbs(hessian, gradient, theta, limbs, layout, numbers)
    return gradient


def _belief(away: float) -> float:
    """Weight of a prior whose value lies ``away`` SDs from its mean: that of Student's t distribution."""
    return (_FREEDOM + 1) / (_FREEDOM + away**2)


def belief_lost(away: float) -> float:
    """Minus the log density of the same at ``away`` SDs from its mean, less that at the mean."""
    return 0.5 * (_FREEDOM + 1) * math.log1p(away**2 / _FREEDOM)


def _tie_limbs(
    hessian: Array, gradient: Array, theta: Array, limbs: Sequence[Limb], layout: Layout, numbers: PriorNumbers
) -> None:
    """All centrelines start at the one branching point, which may move."""
    part, count = layout.meeting, len(AT_START)
    at = np.concatenate([np.arange(e.start, e.start + count) for e in layout.e] + [np.arange(part.start, part.stop)])
    rows = np.zeros((len(limbs), len(at)))
    for i, limb in enumerate(limbs):
        rows[i, count * i : count * (i + 1)] = AT_START
        rows[i, -2:] = -limb.curve.normal[0]
    rows /= numbers.meeting_tie_px
    hessian[at[:, None], at] += rows.T @ rows
    gradient[at] += (rows @ theta[at]) @ rows
    hessian[part, part] += np.eye(2) / numbers.meeting_sd_px**2
    gradient[part] += theta[part] / numbers.meeting_sd_px**2
