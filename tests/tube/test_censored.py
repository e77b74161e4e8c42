"""Pixels at an end of the grey scale: what they say, and that a fit hears it."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from qca.tube.censored import Censored, GreyEnds

TOBIN = np.array(
    [
        (0.0, 57.7, 236),
        (0.7, 50.9, 283),
        (0.0, 48.5, 207),
        (0.0, 41.7, 220),
        (0.0, 47.7, 238),
        (0.0, 59.8, 216),
        (0.0, 44.3, 284),
        (3.7, 45.1, 221),
        (0.0, 51.7, 275),
        (3.0, 50.0, 269),
        (10.4, 46.8, 207),
        (0.0, 58.0, 249),
        (0.0, 58.9, 246),
        (0.0, 40.0, 277),
        (1.5, 34.1, 231),
        (0.0, 39.9, 219),
        (0.0, 33.4, 240),
        (3.5, 48.1, 266),
        (6.1, 46.6, 214),
        (0.0, 53.1, 251),
    ]
)
"""Purchases of durable goods, none where there was less than none to spend; age; liquidity ratio. Data of the paper
that introduced the method (Tobin J, Econometrica 1958;26:24-36), as the R package survival holds them."""


def at(levels, dark=-np.inf, bright=np.inf, *, rounded=False, noisy=True):
    # nothing is told of fewer pixels than a hundred
    padded = np.concatenate([levels, np.full(100, 50.0)])
    return Censored.of(padded, GreyEnds(dark, bright, noisy), rounded=rounded), padded


def test_regression_of_the_paper_that_introduced_it():
    """Coefficients 15.145, -0.1291 and -0.0455 at a scale of 5.57 (summary of survreg in R, from memory)."""
    design = np.column_stack([np.ones(20), TOBIN[:, 1:]])
    level = TOBIN[:, 0]
    # 20 observations are fewer than a picture must show
    dark = level == 0
    censored = Censored(dark, np.flatnonzero(dark), np.full(dark.sum(), -1.0), ~dark, 0.0)
    found = np.linalg.lstsq(design, level, rcond=None)[0]
    for _ in range(60):
        residual, part = censored.told(level - design @ found, np.full(20, 5.5725**2))
        weighted = design * part[:, None]
        found = found + np.linalg.solve(weighted.T @ design, weighted.T @ residual)
    assert found == pytest.approx([15.145, -0.1291, -0.0455], rel=2e-3)


@pytest.mark.parametrize("model", [3.0, 9.0, 10.0, 11.0, 14.0, 30.0])
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_gradient_and_curvature_of_the_probability(model, side):
    """Against differences of scipy.stats' logarithm of the normal distribution."""
    end, sd = 10.0, 2.0
    levels = np.full(200, end - 5.0 * side)
    levels[0] = end
    ends = GreyEnds(dark=end) if side < 0 else GreyEnds(bright=end)
    censored = Censored.of(levels, ends, rounded=False)
    residual, part = censored.told(levels - model, np.full(len(levels), sd**2))

    def log_probability(m):
        return norm.logcdf(side * (m - end) / sd)

    step = 1e-3
    gradient = (log_probability(model + step) - log_probability(model - step)) / (2 * step)
    curvature = (log_probability(model + step) - 2 * log_probability(model) + log_probability(model - step)) / step**2
    assert part[0] * residual[0] / sd**2 == pytest.approx(gradient, rel=1e-4, abs=1e-9)
    assert part[0] / sd**2 == pytest.approx(-curvature, rel=1e-3, abs=1e-7)
    assert censored.cost(levels - model, sd, 30.0)[0] == pytest.approx(-log_probability(model), rel=1e-9)


def test_a_mean_that_lies_beyond_the_end():
    """Half of the values and more are cut off; the mean is found as by maximising scipy.stats' likelihood."""
    rng = np.random.default_rng(5)
    level = np.maximum(np.round(rng.normal(97.0, 4.0, 5000)), 99.0)
    censored = Censored.of(level, GreyEnds(dark=99.0), rounded=True)

    def cost(mean):
        seen = level[level > 99]
        return -norm.logpdf(seen, mean, 4.0).sum() - (level == 99).sum() * norm.logcdf((99.5 - mean) / 4.0)

    best = minimize_scalar(cost, bounds=(80, 110), method="bounded", options={"xatol": 1e-6}).x
    mean = 99.0
    for _ in range(50):
        residual, part = censored.told(level - mean, np.full(len(level), 16.0))
        mean += float((part @ residual) / part.sum())
    assert mean == pytest.approx(best, abs=1e-3)
    assert mean == pytest.approx(97.0, abs=0.2)
    # as the levels stand they say otherwise
    assert level.mean() > 99.5


def test_what_the_end_explains_is_not_left_over():
    censored, level = at(np.array([10.0, 10.0, 30.0, 200.0, 200.0]), dark=10.0, bright=200.0)
    model = np.full(len(level), 50.0)
    model[:5] = [4.0, 16.0, 20.0, 190.0, 230.0]
    assert censored.completed(level, model)[:5] == pytest.approx([4.0, 10.0, 30.0, 200.0, 230.0])
    assert censored.seen[:5].tolist() == [True, True, False, True, True]


def test_an_even_background_without_noise_is_what_it_looks_like():
    censored, level = at(np.array([0.0, 255.0, 255.0]), dark=0.0, bright=255.0, noisy=False)
    assert censored.at.tolist() == [0]
    assert censored.seen[:3].all()
    assert censored.others(level).tolist() == level[1:].tolist()


def test_far_from_the_end_a_pixel_is_one_like_others():
    censored, level = at(np.array([0.0]), dark=0.0)
    residual, part = censored.told(level - 400.0, np.full(len(level), 4.0))
    assert residual[0] == pytest.approx(-400.0, rel=1e-3)
    assert part[0] == pytest.approx(1.0, rel=1e-3)
    # and far beyond it there is nothing to say
    residual, part = censored.told(level + 400.0, np.full(len(level), 4.0))
    assert abs(part[0] * residual[0]) < 1e-12


def test_nothing_is_told_by_a_picture_of_ends():
    with pytest.raises(np.linalg.LinAlgError, match="ends of the grey scale"):
        Censored.of(np.zeros(500), GreyEnds(0.0, 255.0), rounded=True)
