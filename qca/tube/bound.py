"""How well a diameter can be known: the Cramer-Rao bound of the blurred cylinder on a pixel grid.

No unbiased estimate of a parameter has a variance below the corresponding element of the inverse Fisher information
(Cramer 1946, Rao 1945). With independent pixels of mean ``v(theta)`` and variance ``var`` the information is
``J^T diag(1 / var) J`` with ``J = dv / dtheta``; that the variance itself changes with theta adds a little information
for counted quanta, about ``1 / (2 N)`` of the rest, which is left out.

What is unknown besides the diameter decides the bound, so it is an argument everywhere:

``contrast``
    Attenuation per pixel of the contrast medium, as depth of the profile.
``blur``
    Standard deviation of the point spread.
``bending``
    The attenuation, scatter pedestal and grey mapping together, as bend of the profile.

Each is either *known*, *shared* (one unknown number for the whole fit) or, for single rows, *free* (one unknown
number in each row). The centreline and the background are always unknown.

What is assumed about smoothness is an argument too: `tree_bound` knows that a healthy limb tapers linearly and where
the lesion lies, and lets the radius inside the lesion be any cubic spline with knots every ``smoothness_px``.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from qca.tube.chord import exact_opacity

Array = npt.NDArray[np.float64]
Shared = Literal["contrast", "blur", "bending"]
SHARED: tuple[Shared, ...] = ("contrast", "blur", "bending")

_FEWEST_PIECES = 4
"""A cubic B-spline that starts and ends at zero needs four knot intervals."""

_MARGIN_PX = 8.0
"""Background on either side of the wall that takes part."""


@dataclass(frozen=True, slots=True)
class Imaging:
    """How a frame was made, in pixels.

    Parameters
    ----------
    photons_per_px : float
        Mean detected quanta per pixel at the background, stray light included.
    blur_px : float
        Standard deviation of the point spread, pixel aperture included (its own is ``1 / sqrt(12)``).
    contrast_per_px : float
        Attenuation of the contrast medium per pixel of path.
    stray_fraction : float
        Part of the detected quanta that does not come straight through.
    grey_steps : float
        Grey levels between no light and the background; their rounding adds a variance of 1/12 level. Infinite: none.
    """

    photons_per_px: float
    blur_px: float
    contrast_per_px: float
    stray_fraction: float = 0.0
    grey_steps: float = math.inf

    def variance(self, intensity: Array) -> Array:
        """Variance of a pixel whose mean is ``intensity`` times the background."""
        return np.asarray(intensity / self.photons_per_px + 1 / (12 * self.grey_steps**2))


def parameter_covariance(jacobian: Array, variance: Array) -> Array:
    """Inverse Fisher information of independent normal (or counted) samples.

    Parameters
    ----------
    jacobian : ndarray, shape (P, Q)
        Derivative of each sample's mean by each parameter.
    variance : ndarray, shape (P,)
        Variance of each sample.

    Returns
    -------
    ndarray, shape (Q, Q)
        The lowest covariance that unbiased estimates can have.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the samples do not determine the parameters.
    """
    scale = np.sqrt(np.einsum("pq,pq,p->q", jacobian, jacobian, 1 / variance))
    if (scale == 0).any():
        msg = "a parameter changes no sample"
        raise np.linalg.LinAlgError(msg)
    scaled = jacobian / scale
    fisher = (scaled / variance[:, None]).T @ scaled
    return np.asarray(np.linalg.inv(fisher) / np.outer(scale, scale))


def row_bound(
    diameter_px: float,
    imaging: Imaging,
    *,
    known: Collection[Shared] = SHARED,
    rows: float = 1.0,
    phase_px: float = 0.0,
    margin_px: float = _MARGIN_PX,
) -> float:
    """Bound of the diameter from cross-sections that are each read on their own and averaged.

    Parameters
    ----------
    diameter_px : float
        True diameter.
    imaging : Imaging
        How the frame was made.
    known : collection of str
        What is known (or learned so well from elsewhere that it counts as known); the rest is free in each row, as are
        the centre and the background's level and slope.
    rows : float
        Independent rows averaged, that is, the averaging length in pixels.
    phase_px : float
        Place of the axis between two pixel centres.
    margin_px : float
        Background on either side.

    Returns
    -------
    float
        Standard deviation of the mean diameter, px.
    """
    reach = math.ceil(diameter_px / 2 + 3 * imaging.blur_px + margin_px)
    x = np.arange(-reach, reach + 1.0) - phase_px
    r = np.full_like(x, diameter_px / 2)
    mean, change = _intensity(x, r, imaging)
    columns = [change["radius"], change["centre"], mean, x * mean]
    columns += [change[name] for name in SHARED if name not in known]
    covariance = parameter_covariance(np.column_stack(columns), imaging.variance(mean))
    return 2 * math.sqrt(float(covariance[0, 0]) / rows)


def _intensity(x: Array, r: Array, imaging: Imaging) -> tuple[Array, dict[str, Array]]:
    """Mean relative intensity and its derivatives by radius, centre, log contrast (depth), log blur and bending."""
    m = imaging.contrast_per_px
    opacity = exact_opacity(x, r, imaging.blur_px, m)
    depth = (1 - imaging.stray_fraction) * m
    mean = 1 - depth * opacity.value
    change = {
        "radius": -depth * opacity.d_r,
        "centre": depth * opacity.d_x,
        "contrast": -depth * opacity.value,
        "blur": -depth * opacity.d_sigma * imaging.blur_px,
        "bending": -depth * opacity.d_m,
    }
    return mean, change


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
        Knot spacing along the limb of the background's level, slope and curvature across it.

    Returns
    -------
    tuple of LimbBound
        One for each limb.
    """
    blocks, variances, layouts = [], [], []
    shared = [name for name in SHARED if name not in known]
    start = len(shared)
    for limb in limbs:
        jacobian, variance, functionals = _limb_jacobian(limb, imaging, shared, smoothness_px, background_knot_px)
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


def _limb_jacobian(
    limb: LimbShape, imaging: Imaging, shared: Sequence[Shared], smoothness_px: float, background_knot_px: float
) -> tuple[Array, Array, Array]:
    """Linearise one limb: derivatives by shared and own parameters, variances, and what the radius parameters say.

    Returns
    -------
    jacobian : ndarray, shape (P, S + K)
    variance : ndarray, shape (P,)
    functionals : ndarray, shape (3, K)
        Radius at the minimum, taper at the minimum, mean radius, as linear functions of the limb's own parameters.
    """
    count = len(limb.radius_px)
    s = np.arange(count, dtype=float)
    reach = math.ceil(float(limb.radius_px.max()) + 3 * imaging.blur_px + _MARGIN_PX)
    x = np.arange(-reach, reach + 1.0)
    rows, offsets = (grid.ravel() for grid in np.meshgrid(s, x, indexing="ij"))
    index = rows.astype(int)
    mean, change = _intensity(offsets, limb.radius_px[index], imaging)
    taper = np.column_stack([np.ones(count), (s - s.mean()) / count])
    bump = _lesion_basis(s, limb.lesion, smoothness_px)
    radius = np.hstack([taper, bump])
    centre = _spline_basis(s, smoothness_px)
    along = _spline_basis(s, background_knot_px)
    across = [mean, mean * offsets / reach, mean * (offsets / reach) ** 2]
    columns = [change[name][:, None] for name in shared]
    columns += [change["radius"][:, None] * radius[index], change["centre"][:, None] * centre[index]]
    columns += [shape[:, None] * along[index] for shape in across]
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
