"""Noise from residuals: variance by grey level and correlation between pixels, on noise of known kind."""

import numpy as np
import pytest
from scipy.ndimage import convolve, gaussian_filter, uniform_filter

from qca.tube.noise import correlation_factor, high_passed, noise_variance, typical_correlation

SHAPE = (160, 140)
PIXELS = np.argwhere(np.ones(SHAPE, dtype=bool)).astype(float)


def factor(field, pixels=PIXELS, of=correlation_factor):
    field = field / field.std()
    return of(pixels, field[pixels[:, 0].astype(int), pixels[:, 1].astype(int)])


@pytest.fixture
def white():
    return np.random.default_rng(4).normal(size=SHAPE)


def test_white_noise(white):
    assert 1.0 <= factor(white) < 1.15


@pytest.mark.parametrize(
    ("name", "kernel"),
    [
        ("mean of 3 x 3", np.ones((3, 3)) / 9),
        ("two neighbours along a row", np.array([[0.5, 0.5]])),
        ("down a diagonal", np.eye(3) / 3),
        ("two that alternate", np.array([[0.3, 1.0, 0.3]])),
    ],
)
def test_filtered_noise(white, name, kernel):
    """White noise through a kernel k has the power (sum k)^2 at frequency zero and sum k^2 on average: the
    Wiener-Khinchin theorem."""
    expected = kernel.sum() ** 2 / (kernel**2).sum()
    found = factor(convolve(white, kernel, mode="wrap"))
    assert found == pytest.approx(expected, rel=0.12)


def test_blurred_noise(white):
    """A Gaussian of SD s px: 4 pi s^2 (the same theorem)."""
    assert factor(gaussian_filter(white, 0.7, mode="wrap")) == pytest.approx(4 * np.pi * 0.49, rel=0.12)


def test_a_band_of_pixels_is_enough(white):
    """Only known pixels count, and pairs are counted among them."""
    band = PIXELS[np.abs(PIXELS[:, 0] - PIXELS[:, 1]) < 12]
    assert factor(uniform_filter(white, 3, mode="wrap"), band) == pytest.approx(9.0, rel=0.25)


@pytest.mark.parametrize("sd", [0.0, 0.5, 0.7])
def test_what_crosses_is_no_noise(white, sd):
    """A dark band over a tenth of the picture: the typical correlation is the noise's own (the same theorem)."""
    noise = gaussian_filter(white, sd, mode="wrap") if sd else white
    expected = factor(noise)
    crossed = noise / noise.std()
    crossed[70:86] -= 2.0
    assert factor(crossed, of=typical_correlation) == pytest.approx(expected, rel=0.25)
    assert factor(crossed) > expected + 1


def test_typical_correlation_of_every_other_pixel(white):
    """Of a chessboard's whites: what they share, they share with each other."""
    board = PIXELS[PIXELS.sum(1) % 2 == 0]
    assert factor(white, board, of=typical_correlation) < 1.2
    blurred = factor(gaussian_filter(white, 1.0, mode="wrap"), board, of=typical_correlation)
    # the autocorrelation exp(-d^2 / 4) of the same theorem, over the whites within three pixels
    lags = [(r, c) for r in range(-3, 4) for c in range(-3, 4) if (r + c) % 2 == 0 and r * r + c * c <= 9]
    assert blurred == pytest.approx(sum(np.exp(-(r * r + c * c) / 4) for r, c in lags), rel=0.15)


def test_noise_that_takes_turns_is_not_less_than_white():
    board = np.indices(SHAPE).sum(0) % 2 * 2.0 - 1
    assert factor(board + 0.01) == 1.0


def test_variance_of_counted_quanta():
    """Poisson: the variance is the mean. A tenth of outliers does not spoil it."""
    rng = np.random.default_rng(8)
    level = rng.uniform(200.0, 1000.0, 40_000)
    residual = rng.poisson(level) - level
    found = noise_variance(residual, level)
    assert found[level > 950].mean() == pytest.approx(975.0, rel=0.05)
    assert found[level < 250].mean() == pytest.approx(225.0, rel=0.12)


def test_variance_that_does_not_depend_on_the_level():
    rng = np.random.default_rng(9)
    level = rng.uniform(200.0, 1000.0, 40_000)
    found = noise_variance(7.0 * rng.normal(size=len(level)), level)
    assert found == pytest.approx(np.full(len(level), 49.0), rel=0.06)


def test_outliers_hardly_count():
    rng = np.random.default_rng(10)
    level = rng.uniform(200.0, 1000.0, 20_000)
    residual = 5.0 * rng.normal(size=len(level))
    residual[::50] = 500.0
    assert np.sqrt(noise_variance(residual, level)).mean() == pytest.approx(5.0, rel=0.12)


def test_variance_keeps_a_floor():
    rng = np.random.default_rng(12)
    level = np.repeat([100.0, 1000.0], 5000)
    residual = np.where(level < 500, 0.0, 10.0 * rng.normal(size=len(level)))
    found = noise_variance(residual, level)
    assert found.min() > 0
    assert np.isfinite(noise_variance(np.zeros(100), np.full(100, 5.0))).all()


def test_noise_is_never_less_than_rounding_nor_than_half_a_percent_of_the_depth():
    level = np.linspace(0.0, 300.0, 1000)
    assert np.sqrt(noise_variance(np.zeros(1000), level, 1 / 12)).min() == pytest.approx(0.005 * 288, rel=0.01)
    assert noise_variance(np.zeros(1000), level / 300, 1 / 12) == pytest.approx(1 / 12)


def test_a_high_pass_lets_noise_through_and_nothing_smooth():
    rng = np.random.default_rng(5)
    noise = 3.0 * rng.normal(size=(200, 200))
    row, column = np.indices(noise.shape)
    assert high_passed(noise).std() == pytest.approx(3.0, rel=0.02)
    assert np.abs(high_passed(0.3 * row - 2.0 * column + 0.01 * row * column)).max() < 1e-9
    holed = noise.copy()
    holed[50, 50] = np.nan
    assert high_passed(holed).size == high_passed(noise).size - 9
