"""The information bound of a whole tree: MLD, reference and percent stenosis of limbs that share one image.

The limbs are straightened; contrast, blur and bending are one unknown number each for all of them, or known. A healthy
limb is known to taper linearly, and it is known where the lesion lies; inside it the radius may be any cubic spline
with knots every ``smoothness_px``.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from qca.tube.bound import MARGIN_PX, SHARED, Array, Imaging, Shared, blurred_intensity, parameter_covariance

_FEWEST_PIECES = 4
"""A cubic B-spline that starts and ends at zero needs four knot intervals."""


@dataclass(frozen=True, slots=True)
class LimbShape:
    """True shape of one limb, straightened; N rows one pixel apart.

    ``radius_px`` (N,) is the true radius. ``lesion`` are the first and last row between which the radius is not the
    linear taper, or None. ``at_row`` is the row of the true minimum.
    """

    radius_px: Array
    at_row: float
    lesion: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class LimbBound:
    """Lowest SD of one limb's numbers: diameters in px, percent stenosis in points."""

    mld_px: float
    reference_px: float
    ds_percent: float
    mean_diameter_px: float


def tree_bound(
    limbs: Sequence[LimbShape],
    imaging: Imaging,
    *,
    known: Collection[Shared] = (),
    smoothness_px: float = 10.0,
    background_knot_px: float = 20.0,
    background_order: int = 2,
    margin_px: float = MARGIN_PX,
) -> tuple[LimbBound, ...]:
    """Bound of MLD, reference and DS of limbs that share contrast, blur and bending.

    Parameters
    ----------
    limbs : sequence of LimbShape
        True shapes, from the limb mouth outwards; what the confluence itself tells is left out.
    imaging : Imaging
        How the frame was made.
    known : collection of str
        Which of contrast, blur and bending are known; the others are one unknown number each for all limbs.
    smoothness_px : float
        Knot spacing of the cubic spline that the radius may follow inside a lesion, and of the centreline along all of
        the limb.
    background_knot_px : float
        Knot spacing along the limb of the background's terms across it.
    background_order : int
        Highest power of the background across the limb: 1 for level and slope, 2 for curvature too.
    margin_px : float
        Background on either side that takes part.

    Returns
    -------
    tuple of LimbBound
        One for each limb.
    """
    blocks, variances, layouts = [], [], []
    shared = [name for name in SHARED if name not in known]
    start = len(shared)
    for limb in limbs:
        x = _across(limb, imaging, margin_px)
        along = _spline_basis(np.arange(len(limb.radius_px), dtype=float), background_knot_px)
        background = [along[:, None, :] * (x / x[-1])[None, :, None] ** power for power in range(background_order + 1)]
        jacobian, variance, functionals = _limb_jacobian(
            limb, imaging, x, shared, smoothness_px, np.concatenate(background, axis=2)
        )
        blocks.append(jacobian)
        variances.append(variance)
        layouts.append((start, functionals))
        start += jacobian.shape[1] - len(shared)
    # each limb's pixels see the shared parameters and their own
    full = np.zeros((sum(len(v) for v in variances), start))
    row = 0
    for jacobian, (first, _) in zip(blocks, layouts, strict=True):
        rows = slice(row, row + len(jacobian))
        full[rows, : len(shared)] = jacobian[:, : len(shared)]
        full[rows, first : first + jacobian.shape[1] - len(shared)] = jacobian[:, len(shared) :]
        row += len(jacobian)
    covariance = parameter_covariance(full, np.concatenate(variances))
    out = []
    for limb, (first, functionals) in zip(limbs, layouts, strict=True):
        part = slice(first, first + functionals.shape[1])
        spread = 4 * functionals @ covariance[part, part] @ functionals.T  # of diameters
        mld, reference = _true_pair(limb)
        gradient = np.array([-100 / reference, 100 * mld / reference**2])
        out.append(
            LimbBound(
                mld_px=math.sqrt(spread[0, 0]),
                reference_px=math.sqrt(spread[1, 1]),
                ds_percent=math.sqrt(max(float(gradient @ spread[:2, :2] @ gradient), 0.0)),  # 0 where both are one
                mean_diameter_px=math.sqrt(spread[2, 2]),
            )
        )
    return tuple(out)


def _true_pair(limb: LimbShape) -> tuple[float, float]:
    """Return true diameter and taper at the minimum."""
    s = np.arange(len(limb.radius_px), dtype=float)
    healthy = np.ones(len(s), dtype=np.bool_)
    if limb.lesion is not None:
        healthy = (s < limb.lesion[0]) | (s > limb.lesion[1])
    mld = 2 * float(np.interp(limb.at_row, s, limb.radius_px))
    if healthy.sum() < 2:
        return mld, mld
    slope, level = np.polyfit(s[healthy], 2 * limb.radius_px[healthy], 1)
    return mld, float(level + slope * limb.at_row)


def _across(limb: LimbShape, imaging: Imaging, margin_px: float) -> Array:
    """Whole pixels across a limb, the axis in the middle."""
    reach = math.ceil(float(limb.radius_px.max()) + 3 * imaging.blur_px + margin_px)
    return np.arange(-reach, reach + 1.0)


def _limb_jacobian(
    limb: LimbShape, imaging: Imaging, x: Array, shared: Sequence[Shared], smoothness_px: float, background: Array
) -> tuple[Array, Array, Array]:
    """Linearise one limb: derivatives by shared and own parameters, variances, and what the radius parameters say.

    ``x`` are the offsets of the pixels across it, ``background`` (rows, offsets, K) the terms of its background.

    Returns
    -------
    jacobian : ndarray, shape (P, S + K)
    variance : ndarray, shape (P,)
    functionals : ndarray, shape (3, K)
        Radius at the minimum, taper at the minimum, mean radius, as linear functions of the limb's own parameters.
    """
    count = len(limb.radius_px)
    s = np.arange(count, dtype=float)
    rows, offsets = (grid.ravel() for grid in np.meshgrid(s, x, indexing="ij"))
    index = rows.astype(int)
    mean, change = blurred_intensity(offsets, limb.radius_px[index], imaging)
    taper = np.column_stack([np.ones(count), (s - s.mean()) / count])
    bump = _lesion_basis(s, limb.lesion, smoothness_px)
    radius = np.hstack([taper, bump])
    centre = _spline_basis(s, smoothness_px)
    columns = [change[name][:, None] for name in shared]
    columns += [change["radius"][:, None] * radius[index], change["centre"][:, None] * centre[index]]
    columns += [mean[:, None] * background.reshape(len(mean), -1)]
    at = np.array([limb.at_row])
    own = sum(block.shape[1] for block in columns[len(shared) :])
    functionals = np.zeros((3, own))
    lesion_at = _lesion_basis(at, limb.lesion, smoothness_px, span=(s[0], s[-1]))
    functionals[0, : radius.shape[1]] = np.concatenate([[1.0, float(at[0] - s.mean()) / count], lesion_at[0]])
    functionals[1, :2] = functionals[0, :2]
    functionals[2, : radius.shape[1]] = radius.mean(axis=0)
    return np.hstack(columns), imaging.variance(mean), functionals


def _spline_basis(s: Array, spacing: float) -> Array:
    """Cubic B-splines over all of ``s``, knots about ``spacing`` apart, shape (N, K)."""
    from scipy.interpolate import BSpline

    pieces = max(round((s[-1] - s[0]) / spacing), 1)
    inner = np.linspace(s[0], s[-1], pieces + 1)
    knots = np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3])
    return np.asarray(BSpline.design_matrix(s, knots, 3).toarray())


def _lesion_basis(
    s: Array, lesion: tuple[float, float] | None, spacing: float, span: tuple[float, float] | None = None
) -> Array:
    """Cubic B-splines that start and end with the lesion, shape (N, K); K is 0 without one.

    A lesion that reaches over an end of the limb is cut there; nothing holds its radius at the cut.
    """
    if lesion is None:
        return np.zeros((len(s), 0))
    from scipy.interpolate import BSpline

    low, high = span if span is not None else (float(s[0]), float(s[-1]))
    first, last = max(lesion[0], low), min(lesion[1], high)
    inner = np.linspace(first, last, max(round((last - first) / spacing), _FEWEST_PIECES) + 1)
    before = [first] * 3 if lesion[0] < low else []
    after = [last] * 3 if lesion[1] > high else []
    knots = np.concatenate([before, inner, after])
    out = np.zeros((len(s), len(knots) - 4))
    for k in range(out.shape[1]):
        out[:, k] = np.nan_to_num(BSpline.basis_element(knots[k : k + 5], extrapolate=False)(s))
    return out
