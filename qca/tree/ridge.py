"""Ridge strength: how much a pixel looks like the axis of a bright tube on a darker background."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.float64]
Single = npt.NDArray[np.float32]

RIDGE_SCALES_PX = (1.5, 2.5, 4.0, 6.0)
"""Gaussian scales of the Hessian; a tube of radius R answers most near sigma = R / sqrt(2), so 2-9 px radius."""


def _kernels(sigma: float) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Gaussian and its first two derivatives, sampled to 4 sigma."""
    half = int(np.ceil(4 * sigma))
    t = np.arange(-half, half + 1, dtype=float)
    g = np.exp(-0.5 * (t / sigma) ** 2)
    g /= g.sum()
    d1 = -t / sigma**2 * g
    d2 = (t**2 / sigma**2 - 1) / sigma**2 * g
    d2 -= g * d2.sum()
    return g, d1, d2


def ridge_margin(scales_px: Sequence[float] = RIDGE_SCALES_PX) -> int:
    """How far around a pixel its ridge strength depends on the image, px."""
    return int(np.ceil(4 * max(scales_px)))


def ridge_strength(image: Image, scales_px: Sequence[float] = RIDGE_SCALES_PX) -> Image:
    """Largest scale-normalised negative curvature across scales.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Grey values with vessels bright.
    scales_px : sequence of float
        Gaussian sigmas, px.

    Returns
    -------
    ndarray, shape (rows, columns)
        ``max_sigma sigma^1.5 max(0, -lambda)`` with lambda the smaller Hessian eigenvalue, less its partner when that
        is negative too (a blob is not a ridge). Grey levels per px^0.5.
    """
    best = np.zeros(image.shape, dtype=np.float32)
    for sigma in scales_px:
        mean, spread = _curvatures(image, sigma)
        np.maximum(best, _strength(mean, spread, sigma), out=best)
    return best.astype(np.float64)


def near_axis(image: Image, point_rc: npt.NDArray[np.float64], radius_px: float) -> npt.NDArray[np.int64]:
    """Pixel near a point that looks most like the axis of a lumen of about a given radius.

    Strength is weighed against distance by a Gaussian of one radius, so that a point on the lumen's wall belongs to its
    axis. Noise, and lumens of another width, hardly show at this one scale.

    Parameters
    ----------
    image : ndarray, shape (rows, columns)
        Grey values with vessels bright.
    point_rc : ndarray, shape (2,)
        (row, column).
    radius_px : float
        Radius, px.

    Returns
    -------
    ndarray, shape (2,), int
        (row, column), no further than the radius and 2 px away.
    """
    sigma = radius_px / np.sqrt(2)
    most = radius_px + 2
    reach = int(np.ceil(most)) + ridge_margin((sigma,))
    centre = np.clip(np.round(point_rc).astype(int), 0, np.array(image.shape) - 1)
    top, left = np.maximum(centre - reach, 0)
    patch = image[top : centre[0] + reach + 1, left : centre[1] + reach + 1]
    strength = ridge_strength(patch, (sigma,))
    rows, columns = np.ogrid[: patch.shape[0], : patch.shape[1]]
    away = (rows + top - point_rc[0]) ** 2 + (columns + left - point_rc[1]) ** 2
    score = np.where(away <= most**2, strength * np.exp(-0.5 * away / radius_px**2), -1.0)
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    return np.array([row + top, column + left], dtype=np.int64)


def both_strengths(image: Image, scale_px: float) -> tuple[Image, Image]:
    """Ridge strengths at one scale for vessels bright and for vessels dark, each (rows, columns); as above."""
    mean, spread = _curvatures(image, scale_px)
    bright, dark = (_strength(sign * mean, spread, scale_px).astype(np.float64) for sign in (1.0, -1.0))
    return bright, dark


def _curvatures(image: Image, sigma: float) -> tuple[Single, Single]:
    """Mean of the two curvatures at a scale, and half of their difference."""
    import cv2

    work = np.ascontiguousarray(image, dtype=np.float32)
    g, d1, d2 = _kernels(sigma)
    border = cv2.BORDER_REFLECT
    yy = cv2.sepFilter2D(work, cv2.CV_32F, g, d2, borderType=border)
    xx = cv2.sepFilter2D(work, cv2.CV_32F, d2, g, borderType=border)
    xy = cv2.sepFilter2D(work, cv2.CV_32F, d1, d1, borderType=border)
    return np.asarray(0.5 * (xx + yy)), np.asarray(np.sqrt(0.25 * (xx - yy) ** 2 + xy * xy))


def _strength(mean: Single, spread: Single, sigma: float) -> Single:
    strength = -(mean - spread)
    partner = np.minimum(0, mean + spread)
    return np.asarray(np.maximum(strength + partner, 0) * sigma**1.5)
