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
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from qca.tube.chord import exact_opacity

Array = npt.NDArray[np.float64]
Shared = Literal["contrast", "blur", "bending"]
SHARED: tuple[Shared, ...] = ("contrast", "blur", "bending")

MARGIN_PX = 12.0
"""Background on either side of the blurred wall that takes part."""


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
    margin_px: float = MARGIN_PX,
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
    mean, change = blurred_intensity(x, r, imaging)
    columns = [change["radius"], change["centre"], mean, x * mean]
    columns += [change[name] for name in SHARED if name not in known]
    covariance = parameter_covariance(np.column_stack(columns), imaging.variance(mean))
    return 2 * math.sqrt(float(covariance[0, 0]) / rows)


def blurred_intensity(x: Array, r: Array, imaging: Imaging) -> tuple[Array, dict[str, Array]]:
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
