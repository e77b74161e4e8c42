"""Ridge strength against Gaussian derivatives of scipy.ndimage."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from qca.tree.ridge import RIDGE_SCALES_PX, ridge_strength


def oracle(image, scales):
    """The same definition on scipy.ndimage.gaussian_filter's derivatives and numpy's eigenvalues."""
    best = np.zeros(image.shape)
    for sigma in scales:
        hessian = np.empty((*image.shape, 2, 2))
        for i, j, order in ((0, 0, (2, 0)), (1, 1, (0, 2)), (0, 1, (1, 1)), (1, 0, (1, 1))):
            hessian[..., i, j] = gaussian_filter(image, sigma, order=order, mode="reflect", truncate=6)
        low, high = np.moveaxis(np.linalg.eigvalsh(hessian), -1, 0)
        best = np.maximum(best, sigma**1.5 * np.maximum(-low + np.minimum(high, 0), 0))
    return best


@pytest.fixture(scope="module")
def picture():
    """A bent bright line, a bar and a blob on a ramp, not symmetric in any way."""
    row, column = np.mgrid[0:90, 0:120].astype(float)
    line = np.exp(-0.5 * ((row - 20 - 0.004 * (column - 10) ** 2) / 2.2) ** 2)
    bar = 2.0 * (np.abs(column - 95 + 0.3 * row) < 4)
    blob = 3.0 * np.exp(-0.5 * ((row - 65) ** 2 + (column - 25) ** 2) / 9)
    return 5.0 + 0.02 * row - 0.01 * column + line + bar + blob


@pytest.mark.parametrize("scales", [(1.5,), (4.0,), RIDGE_SCALES_PX])
def test_against_scipy(picture, scales):
    expected = oracle(picture, scales)
    found = ridge_strength(picture, scales)
    # kernels end at 4 sigma and numbers are of single precision
    np.testing.assert_allclose(found, expected, atol=4e-3 * expected.max())


def test_a_flat_or_slanting_picture_has_no_ridge():
    row, column = np.mgrid[0:60, 0:70].astype(float)
    strength = ridge_strength(100.0 + 0.5 * row - 0.3 * column)[26:-26, 26:-26]
    assert np.abs(strength).max() < 1e-3


def test_only_bright_lines_count():
    row, _ = np.mgrid[0:81, 0:60].astype(float)
    line = np.exp(-0.5 * ((row - 40) / 2.5) ** 2)
    assert ridge_strength(line)[:, 30].argmax() == 40
    assert ridge_strength(-line)[40].max() < 1e-6


def test_a_blob_is_less_of_a_ridge_than_a_line():
    row, column = np.mgrid[0:81, 0:81].astype(float) - 40
    line, blob = np.exp(-0.5 * (row / 3) ** 2), np.exp(-0.5 * (row**2 + column**2) / 9)
    assert ridge_strength(blob)[40, 40] < 0.05 * ridge_strength(line)[40, 40]


@pytest.mark.parametrize("turn", [np.fliplr, np.flipud, np.transpose, np.rot90])
def test_turns_with_the_picture(picture, turn):
    np.testing.assert_allclose(ridge_strength(turn(picture)), turn(ridge_strength(picture)), atol=1e-4)


def test_linear_in_the_grey_levels(picture):
    np.testing.assert_allclose(ridge_strength(8.0 * picture + 64.0), 8.0 * ridge_strength(picture), atol=1e-3)
