"""The blurred opacity of a contrast-filled cylinder, with its derivatives.

X-rays through a cylinder of radius ``r`` at lateral distance ``a`` cross the chord ``c(a) = 2 sqrt(r^2 - a^2)`` of
contrast. The detector sees the transmitted intensity ``exp(-m c)`` blurred by the focal spot and the detector, so the
blur acts on the intensity, not on its logarithm. The *opacity* used here is the blurred lost fraction divided by
``m``::

    E(x; r, sigma, m) = G_sigma * [(1 - exp(-m c(x))) / m]

It has the unit of a length and tends to the blurred chord as ``m`` tends to zero, which is the exact model of a
logarithmic grey scale with little contrast. ``m`` is therefore also the one number that bends the profile: it stands
for contrast, scatter pedestal and grey mapping together.

In units of the blur the opacity has two arguments, ``u = x / sigma`` and ``q = r / sigma``, and a power series in
``m sigma`` whose coefficients are fixed functions of (u, q). They are tabulated once per process and interpolated.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Single = npt.NDArray[np.float32]

REACH = 4.5
"""Blur widths beyond the wall where the opacity is taken as zero (less than 1e-5 of a pixel)."""

_STEP = 0.25
_TERMS = 8
_BUCKET = 8.0


class Opacity(NamedTuple):
    """Opacity and its partial derivatives; each of shape (N,), opacity in px."""

    value: Array
    d_x: Array
    d_r: Array
    d_sigma: Array
    d_m: Array


@lru_cache(maxsize=8)
def _nodes(count: int) -> tuple[Array, Array, Array]:
    """Gauss-Legendre nodes on (0, pi/2): sine, cosine, weight times two."""
    t, w = np.polynomial.legendre.leggauss(count)
    theta = (t + 1) * (np.pi / 4)
    return np.sin(theta), np.cos(theta), 2 * w * (np.pi / 4)


def exact_opacity(x: Array, r: Array, sigma: float, m: float, *, nodes: int = 32) -> Opacity:
    """Opacity of a blurred cylinder by quadrature over slabs.

    The unblurred profile is a stack of slabs of half-width ``a = r sin(theta)``; each blurs to a difference of two
    normal integrals, so the square-root singularity at the wall never has to be sampled.

    Parameters
    ----------
    x : ndarray, shape (N,)
        Lateral distance from the axis, px.
    r : ndarray, shape (N,)
        Radius, px, positive.
    sigma : float
        Blur, px, positive.
    m : float
        Bending, 1/px (attenuation per pixel for a linear grey scale without pedestal).
    nodes : int
        Quadrature nodes; 32 is good to 1e-6 of the peak for r / sigma up to 17.

    Returns
    -------
    Opacity
        Value and derivatives.
    """
    from scipy.special import ndtr

    sin, cos, weight = _nodes(nodes)
    a = r[:, None] * sin
    plus = (x[:, None] + a) / sigma
    minus = (x[:, None] - a) / sigma
    slab = ndtr(plus) - ndtr(minus)
    norm = 1 / np.sqrt(2 * np.pi)
    g_plus = norm * np.exp(-0.5 * plus * plus)
    g_minus = norm * np.exp(-0.5 * minus * minus)
    mr = m * r[:, None]
    density = weight * sin * np.exp(-2 * mr * cos)
    scaled = density * r[:, None]
    value = (scaled * slab).sum(1)
    d_x = (scaled * (g_plus - g_minus)).sum(1) / sigma
    d_r = (density * (1 - 2 * mr * cos) * slab).sum(1) + (scaled * sin * (g_plus + g_minus)).sum(1) / sigma
    d_sigma = (scaled * (minus * g_minus - plus * g_plus)).sum(1) / sigma
    d_m = -2 * (scaled * r[:, None] * cos * slab).sum(1)
    return Opacity(value, d_x, d_r, d_sigma, d_m)


@lru_cache(maxsize=4)
def _tables(widest: float) -> Single:
    """Series coefficients and their derivatives on a grid of (q, u).

    Returns
    -------
    ndarray, shape (_TERMS, 4, Nq, Nu + 2)
        For each power of ``m sigma``: value, d/du, d/dq, d2/dudq times the grid step where differentiated; of single
        precision, 1e-7 of the entries, where the interpolation is good to 1e-4.
    """
    from scipy.special import ndtr

    q = np.arange(0.0, widest + 2 * _STEP, _STEP)
    u = np.arange(0.0, widest + REACH + 2 * _STEP, _STEP)
    sin, cos, weight = _nodes(max(24, int(1.6 * widest)))
    # two columns of zeros at the end: what lies far from the wall looks there
    out = np.zeros((_TERMS, 4, len(q), len(u) + 2))
    for i, radius in enumerate(q):
        a = radius * sin
        plus = u[:, None] + a
        minus = u[:, None] - a
        slab = ndtr(plus) - ndtr(minus)
        norm = 1 / math.sqrt(2 * math.pi)
        g_plus = norm * np.exp(-0.5 * plus * plus)
        g_minus = norm * np.exp(-0.5 * minus * minus)
        edge = g_plus + g_minus
        slope = g_plus - g_minus
        bend = -(minus * g_minus + plus * g_plus)
        for n in range(_TERMS):
            # coefficient of (m sigma)^n in E / sigma: the n-th moment of the slab stack
            power = (-2 * cos) ** n / math.factorial(n)
            w = weight * sin * power
            rn = radius ** (n + 1)
            drn = (n + 1) * radius**n
            out[n, 0, i, :-2] = rn * (slab @ w)
            out[n, 1, i, :-2] = rn * (slope @ w)
            out[n, 2, i, :-2] = drn * (slab @ w) + rn * (edge @ (w * sin))
            out[n, 3, i, :-2] = drn * (slope @ w) + rn * (bend @ (w * sin))
    out[:, 1] *= _STEP
    out[:, 2] *= _STEP
    out[:, 3] *= _STEP * _STEP
    return out.astype(np.float32)


class _Mixed(NamedTuple):
    """Tables summed over the series for one value of ``m sigma``.

    ``rows`` (8, Nq * Nu) holds value, d/du, d/dq and d2/dudq, then the same differentiated by ``m sigma``.
    """

    rows: Single
    columns: int


@lru_cache(maxsize=4)
def _mixed(widest: float, bend: float) -> _Mixed:
    """Series summed at ``m sigma = bend``, and its derivative with respect to it."""
    tables = _tables(widest)
    power = bend ** np.arange(_TERMS)
    slope = np.concatenate([[0.0], np.arange(1, _TERMS) * bend ** np.arange(_TERMS - 1)])
    rows = np.array([power, slope], dtype=np.float32) @ tables.reshape(_TERMS, -1)
    return _Mixed(rows.reshape(8, -1), tables.shape[3])


def _hermite(t: Single) -> tuple[Single, Single]:
    """Cubic Hermite weights at ``t`` (N,) within a cell, and their derivatives, each (2, 2, N).

    First whether they weigh a value or a slope, then at which end.
    """
    t2 = t * t
    t3 = t2 * t
    weight = np.empty((2, 2, len(t)), dtype=np.float32)
    slope = np.empty((2, 2, len(t)), dtype=np.float32)
    weight[0, 1] = 3 * t2 - 2 * t3
    weight[0, 0] = 1 - weight[0, 1]
    weight[1, 1] = t3 - t2
    weight[1, 0] = weight[1, 1] - t2 + t
    slope[0, 0] = 6 * (t2 - t)
    slope[0, 1] = -slope[0, 0]
    slope[1, 1] = 3 * t2 - 2 * t
    slope[1, 0] = slope[1, 1] - 2 * t + 1
    return weight, slope


def blurred_opacity(x: Array, r: Array, sigma: float, m: float) -> Opacity:
    """Opacity of a blurred cylinder and its derivatives, interpolated.

    Within 1e-4 of the larger of peak and blur for ``m`` times the diameter up to 1.2 and ``m sigma`` up
    to 0.3; radii up to 80 blur widths.

    Parameters
    ----------
    x : ndarray, shape (N,)
        Lateral distance from the axis, px.
    r : ndarray, shape (N,)
        Radius, px, positive.
    sigma : float
        Blur, px, positive.
    m : float
        Bending, 1/px.

    Returns
    -------
    Opacity
        Value and derivatives; zero beyond `REACH` blur widths from the wall.
    """
    u = np.abs(x) / sigma
    q = r / sigma
    widest = _BUCKET * math.ceil(max(float(q.max(initial=1.0)), 1.0) / _BUCKET)
    mixed = _mixed(widest, round(m * sigma, 7))
    q_cell = np.minimum(q / _STEP, widest / _STEP)
    u_cell = np.where(u < q + REACH, u / _STEP, mixed.columns - 2)
    i = q_cell.astype(np.int64)
    j = u_cell.astype(np.int64)
    by_u, by_u_slope = _hermite((u_cell - j).astype(np.float32))
    by_q, by_q_slope = _hermite((q_cell - i).astype(np.float32))
    corner = np.empty((2, 2, len(u)), dtype=np.int64)
    corner[0, 0] = i * mixed.columns + j
    corner[0, 1] = corner[0, 0] + 1
    corner[1] = corner[0] + mixed.columns
    # opacity or its derivative by the bending (c), value or slope along q (k) and u (v), end of the cell (a, b)
    node = mixed.rows.take(corner, axis=1).reshape(2, 2, 2, 2, 2, len(u))
    along = np.einsum("ckvabn,vbn->ckan", node, by_u)
    value, d_bend = np.einsum("ckan,kan->cn", along, by_q).astype(np.float64)
    d_q = np.einsum("kan,kan->n", along[0], by_q_slope).astype(np.float64) / _STEP
    d_u = np.einsum("kan,kan->n", np.einsum("kvabn,vbn->kan", node[0], by_u_slope), by_q).astype(np.float64) / _STEP
    by_blur = value - u * d_u - q * d_q + m * sigma * d_bend
    return Opacity(sigma * value, d_u * np.sign(x), d_q, by_blur, sigma * sigma * d_bend)


def blurred_pair(x: Array, r: Array, ratio: float, sigma: float, m: float) -> tuple[Opacity, Opacity]:
    """Opacities of two concentric cylinders, of radii ``r`` and ``ratio * r``, (N,) px; the rest as above."""
    both = blurred_opacity(np.concatenate([x, x]), np.concatenate([r, ratio * r]), sigma, m)
    n = len(x)
    return Opacity(*(part[:n] for part in both)), Opacity(*(part[n:] for part in both))
