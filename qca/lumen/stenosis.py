"""Minimal diameter, percent stenosis and lesion limits of one limb, with their uncertainties."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from qca.lumen.reference import NATURAL_SD, Reference
from qca.percent_stenosis import percent_area_stenosis, percent_diameter_stenosis

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stenosis:
    """Numbers of one limb.

    ``index`` is the MLD's place in the profile. ``mld``, ``reference`` and the lesion's limits and length are in px,
    each with its SD where one is given; a length of 0 (SD NaN) means that nothing is narrowed. ``ds_percent`` and
    ``area_percent`` are the stenoses by diameter and by area. ``starts_at_mouth`` and ``ends_at_end`` tell that the
    lesion is cut by the profile's ends.
    """

    index: int
    mld: float
    mld_sd: float
    reference: float
    reference_sd: float
    ds_percent: float
    ds_sd_percent: float
    area_percent: float
    area_sd_percent: float
    lesion_start: float
    lesion_end: float
    lesion_length: float
    lesion_length_sd: float
    starts_at_mouth: bool
    ends_at_end: bool


def measure_stenosis(
    position: Array,
    diameter: Array,
    covariance: Array,
    reference: Reference,
    usable: npt.NDArray[np.bool_],
    edge_fraction: float,
    edge_distance: float,
    *,
    blur: float = 0.0,
    noise: Array | None = None,
) -> Stenosis:
    """Find the MLD and everything that hangs on it.

    Parameters
    ----------
    position, diameter : ndarray, shape (N,)
        px.
    covariance : ndarray, shape (N, N)
        Of the diameters, px^2.
    reference : Reference
        Healthy taper.
    usable : ndarray of bool, shape (N,)
        Where the MLD may lie.
    edge_fraction : float
        A lesion ends where the diameter is back at this part of the reference.
    edge_distance : float
        A lesion that reaches within this distance of an end of the profile counts as cut there, px.
    blur : float
        SD of the blur, px: how well a place along the limb can be told at all.
    noise : ndarray, shape (N, N), optional
        The part of the covariance that other noise would change, px^2; all of it where it is not given.

    Returns
    -------
    Stenosis
        All SDs are first-order propagations of ``covariance``.
    """
    candidates = np.flatnonzero(usable)
    index = int(candidates[np.argmin(diameter[candidates])])
    shaken = (covariance if noise is None else noise)[np.ix_(candidates, candidates)]
    mld = max(float(diameter[index]) - minimum_bias(diameter[candidates], shaken), 0.05)
    mld_sd = float(np.sqrt(max(covariance[index, index], 0.0)))
    weights = reference.weights_at(index)
    ref = float(reference.line[index])
    vessel = reference.vessel_variance_at(index)
    ref_sd = float(np.sqrt(max(float(weights @ covariance @ weights), 0.0) + vessel))
    ds = percent_diameter_stenosis(mld, ref)
    grad = weights * (mld / ref**2)
    grad[index] -= 1.0 / ref
    ds_var = float(grad @ covariance @ grad) + (mld / ref**2) ** 2 * vessel
    ds_sd = 100.0 * float(np.sqrt(max(ds_var, 0.0)))
    ratio = diameter / reference.line
    if ratio[index] >= edge_fraction:
        here = float(position[index])
        start = end = here
        length, length_sd = 0.0, math.nan
        at_mouth = at_end = False
    else:
        first = _edge(position, ratio, diameter, covariance, reference, index, edge_fraction, -1)
        last = _edge(position, ratio, diameter, covariance, reference, index, edge_fraction, 1)
        start, end = first.position, last.position
        length = end - start
        # a reference that is too large moves both limits outwards
        by_reference = edge_fraction * ref_sd * (first.shift + last.shift)
        length_sd = math.sqrt(first.sd**2 + last.sd**2 + by_reference**2 + 2 * blur**2)
        at_mouth = first.cut or start - position[0] < edge_distance
        at_end = last.cut or position[-1] - end < edge_distance
    return Stenosis(
        index=index,
        mld=mld,
        mld_sd=mld_sd,
        reference=ref,
        reference_sd=ref_sd,
        ds_percent=ds,
        ds_sd_percent=ds_sd,
        area_percent=percent_area_stenosis(ds),
        area_sd_percent=2 * (1 - ds / 100) * ds_sd,
        lesion_start=start,
        lesion_end=end,
        lesion_length=length,
        lesion_length_sd=length_sd,
        starts_at_mouth=at_mouth,
        ends_at_end=at_end,
    )


_DRAWS = 200


def minimum_bias(diameter: Array, covariance: Array) -> float:
    """How much too small the minimum of a noisy diameter curve is to be expected.

    The curve is taken for the truth, noise of its covariance is added again, and the mean fall of the minimum is taken
    for the one that has already happened (parametric bootstrap: Efron B, Tibshirani RJ, An Introduction to the
    Bootstrap, 1993, chapter 10). Draws are seeded, position by position, and made alike by the symmetric root of the
    covariance, which does not jump: the same curve gives the same answer, and nearly the same one nearly the same.

    Parameters
    ----------
    diameter : ndarray, shape (N,)
        px.
    covariance : ndarray, shape (N, N)
        px^2.

    Returns
    -------
    float
        px, not above zero.
    """
    draws = np.random.default_rng(20120229).standard_normal((len(diameter), _DRAWS // 2)).T
    noise = draws @ _symmetric_root(covariance)
    both = np.vstack([diameter + noise, diameter - noise])
    return min(float(both.min(axis=1).mean() - diameter.min()), 0.0)


def _symmetric_root(covariance: Array) -> Array:
    """Symmetric root, (N, N) and without negative eigenvalues, of a ``covariance`` (N, N).

    Of many positions along a spline of few coefficients: eigenvectors are looked for among as many directions as there
    are, which a Cholesky factor with pivots counts (Higham NJ, in: Cox MG, Hammarling S (eds), Reliable Numerical
    Computation, 1990, 161-185; from memory).
    """
    from scipy.linalg.lapack import dpstrf

    factor, order, rank, _ = dpstrf(covariance, lower=1)
    lower = np.empty((len(covariance), rank))
    lower[order - 1] = np.tril(factor[:, :rank])
    directions, upper = np.linalg.qr(lower)
    values, vectors = np.linalg.eigh(upper @ upper.T)
    vectors = directions @ vectors
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)


@dataclass(frozen=True, slots=True)
class _Edge:
    """A lesion's limit: ``position`` and its SD, px; ``shift``, px per px that the threshold is off; cut by the end."""

    position: float
    sd: float
    shift: float
    cut: bool


def _edge(
    position: Array,
    ratio: Array,
    diameter: Array,
    covariance: Array,
    reference: Reference,
    index: int,
    fraction: float,
    direction: int,
) -> _Edge:
    """Where the ratio first rises back to ``fraction``."""
    i = index
    while 0 <= i + direction < len(ratio) and ratio[i + direction] < fraction:
        i += direction
    j = i + direction
    if not 0 <= j < len(ratio):
        return _Edge(float(position[i]), float(abs(position[1] - position[0])), 0.0, cut=True)
    t = (fraction - ratio[i]) / (ratio[j] - ratio[i])
    at = float(position[i] + t * (position[j] - position[i]))
    lo, hi = max(min(i, j) - 3, 0), min(max(i, j) + 3, len(ratio) - 1)
    slope = abs(float((diameter[hi] - diameter[lo]) / (position[hi] - position[lo])))
    shift = 1 / max(slope, 0.02)
    sd = float(np.hypot(np.sqrt(max(covariance[i, i], 0)), NATURAL_SD * reference.line[i])) * shift
    return _Edge(at, sd, shift, cut=False)
