"""From X-rays behind the object to quanta in pixels: focal spot, detector, pixel aperture, scatter, glare."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from qca.phantom.recipe import Optics, Recipe

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

Image = npt.NDArray[np.float64]
Vector = npt.NDArray[np.float64]

_REACH = 5.5
"""Kernels are cut off after this many standard deviations; what is lost is below 1e-7."""

_TAIL_SHARE, _TAIL_RATIO = 0.15, 2.2
"""The wide part of the two-Gaussian spread: its weight, and its width over the narrow one's. Own choice."""

_FOCAL_SHARE = 0.6
"""Part of the variance that the uniform focal spot contributes in the focal_bar spread. Own choice."""


def _gauss_integral(u: Vector, sigma: float) -> Vector:
    """Integral of the Gaussian distribution function, for differences of boxes."""
    from scipy.special import ndtr

    t = u / sigma
    value: Vector = sigma * (t * ndtr(t) + np.exp(-0.5 * t * t) / math.sqrt(2 * math.pi))
    return value


def _box_gauss(u: Vector, box: float, sigma: float) -> Vector:
    """Box of width ``box`` and area 1 blurred by a Gaussian."""
    from scipy.special import ndtr

    value: Vector = (ndtr((u + box / 2) / sigma) - ndtr((u - box / 2) / sigma)) / box
    return value


def _box_box_gauss(u: Vector, first: float, second: float, sigma: float) -> Vector:
    """Two boxes of area 1 and a Gaussian convolved."""
    outer, inner = (first + second) / 2, (first - second) / 2
    value = (
        _gauss_integral(u + outer, sigma)
        - _gauss_integral(u + inner, sigma)
        - _gauss_integral(u - inner, sigma)
        + _gauss_integral(u - outer, sigma)
    )
    return value / (first * second)


def _operator(cells: int, fine: int, width: float, kernel: str, sigma: float, box: float) -> csr_matrix:
    """Sparse matrix from fine cells to blurred pixels along one axis; rows sum to 1.

    ``width`` is the pixel size and ``sigma``, ``box`` the spread, all mm. The variance of a fine cell's own averaging
    is taken off the Gaussian.
    """
    from scipy.sparse import csr_matrix

    cell = width / fine
    narrow = math.sqrt(max(sigma**2 - cell**2 / 12, (0.2 * cell) ** 2))
    reach = math.ceil((_REACH * sigma + width / 2 + box / 2) / cell)
    offset = np.arange(-reach, fine + reach)  # fine cells counted from the pixel's first
    u = ((offset + 0.5) / fine - 0.5) * width
    weights = _box_gauss(u, width, narrow) if kernel == "gauss" else _box_box_gauss(u, width, box, narrow)
    row = np.repeat(np.arange(cells), offset.size)
    column = (np.arange(cells)[:, None] * fine + offset).ravel()
    value = np.tile(weights, cells)
    inside = (column >= 0) & (column < cells * fine)
    matrix = csr_matrix((value[inside], (row[inside], column[inside])), shape=(cells, cells * fine))
    total = np.asarray(matrix.sum(axis=1)).ravel()
    matrix.data /= np.repeat(total, np.diff(matrix.indptr))
    return matrix


def spread_parts(optics: Optics) -> list[tuple[float, str, float, float]]:
    """Weighted parts of the point spread: (weight, kernel, Gaussian sigma, box width), mm.

    The variances of the parts, boxes included (width squared / 12), average to the part of ``blur_mm`` squared that
    arises before detection.
    """
    blur = optics.blur_mm * math.sqrt(1 - optics.after_detection)
    if optics.point_spread == "two_gaussians":
        core = blur / math.sqrt(1 - _TAIL_SHARE + _TAIL_SHARE * _TAIL_RATIO**2)
        return [(1 - _TAIL_SHARE, "gauss", core, 0.0), (_TAIL_SHARE, "gauss", core * _TAIL_RATIO, 0.0)]
    if optics.point_spread == "focal_bar":
        box = blur * math.sqrt(12 * _FOCAL_SHARE)
        return [(1.0, "bar", blur * math.sqrt(1 - _FOCAL_SHARE), box)]
    return [(1.0, "gauss", blur, 0.0)]


def detect(fine: Image, recipe: Recipe) -> Image:
    """Blur a fine image by the point spread and collect it into pixels.

    Parameters
    ----------
    fine : ndarray, shape (rows * supersampling, columns * supersampling)
        Intensity averaged within fine cells.
    recipe : Recipe
        Pixel size, supersampling, optics.

    Returns
    -------
    ndarray, shape (rows, columns)
        Mean intensity per pixel; beyond the frame the image is taken to go on as at its edge.
    """
    out = np.zeros((recipe.rows, recipe.columns))
    for weight, kernel, sigma, box in spread_parts(recipe.optics):
        down = _operator(recipe.rows, recipe.supersampling, recipe.mm_per_px, kernel, sigma, box)
        across = _operator(recipe.columns, recipe.supersampling, recipe.mm_per_px, kernel, sigma, box)
        out += weight * (across @ (down @ fine).T).T
    return out


def light_spread(counted: Image, recipe: Recipe) -> Image:
    """Blur counted quanta as the scintillator's light does: signal and noise alike.

    The kernel is the discrete Gaussian exp(-t) I_n(t), whose variance is exactly t (Lindeberg T, IEEE Trans Pattern
    Anal Mach Intell 1990;12:234).
    """
    optics = recipe.optics
    if optics.after_detection <= 0:
        return counted
    from scipy.ndimage import correlate1d
    from scipy.special import ive

    variance = optics.after_detection * (optics.blur_mm / recipe.mm_per_px) ** 2
    reach = math.ceil(4 + 6 * math.sqrt(variance))
    weights = ive(np.abs(np.arange(-reach, reach + 1)), variance)
    spread: Image = counted
    for axis in (0, 1):
        spread = correlate1d(spread, weights / weights.sum(), axis=axis, mode="nearest")
    return spread


def wide_blur(image: Image, sigma_px: float) -> Image:
    """Blur by a wide Gaussian, normalised at the frame's edges: beyond them lies nothing rather than darkness."""
    from scipy.fft import irfft, next_fast_len, rfft

    blurred = image
    for axis, count in enumerate(image.shape):
        reach = min(math.ceil(8 * sigma_px), count - 1)
        kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_px) ** 2)
        size = next_fast_len(count + 2 * reach, real=True)
        shape = (-1, 1) if axis == 0 else (1, -1)
        response = rfft(kernel, size).reshape(shape)
        spread = irfft(rfft(blurred, size, axis=axis) * response, size, axis=axis)
        total = irfft(rfft(np.ones(count), size) * response.ravel(), size)[reach : reach + count]
        blurred = np.take(spread, np.arange(reach, reach + count), axis=axis) / total.reshape(shape)
    return blurred


def stray_light(primary: Image, recipe: Recipe) -> Image:
    """Add scatter and veiling glare: a part of the signal is spread widely, the sum stays."""
    optics = recipe.optics
    direct = 1 - optics.scatter_fraction - optics.glare_fraction
    total = direct * primary
    if optics.scatter_fraction:
        total = total + optics.scatter_fraction * wide_blur(primary, optics.scatter_mm / recipe.mm_per_px)
    if optics.glare_fraction:
        total = total + optics.glare_fraction * wide_blur(primary, optics.glare_mm / recipe.mm_per_px)
    return total


def motion_blur(fine: Image, recipe: Recipe) -> Image:
    """Average a fine image over an even movement during the exposure."""
    from cv2 import BORDER_REPLICATE, filter2D

    optics = recipe.optics
    if optics.motion_mm <= 0:
        return fine
    cell = recipe.mm_per_px / recipe.supersampling
    half = optics.motion_mm / 2 / cell
    size = 2 * math.ceil(half + 1) + 1
    kernel = np.zeros((size, size))
    middle = size // 2
    count = 8 * size
    for step in ((np.arange(count) + 0.5) / count - 0.5) * 2 * half:
        x = middle + step * math.cos(math.radians(optics.motion_deg))
        y = middle + step * math.sin(math.radians(optics.motion_deg))
        column, row = math.floor(x), math.floor(y)
        for dy, wy in ((0, 1 - (y - row)), (1, y - row)):
            for dx, wx in ((0, 1 - (x - column)), (1, x - column)):
                if wx * wy:
                    kernel[row + dy, column + dx] += wx * wy
    # the movement is symmetric about the recipe's geometry, so correlation and convolution agree
    blurred = filter2D(fine, -1, kernel / kernel.sum(), borderType=BORDER_REPLICATE)
    return np.asarray(blurred, dtype=np.float64)
