"""The information bound against closed forms and against a maximum-likelihood fit of drawn images."""

import math

import numpy as np
import pytest

from qca.tube.bound import SHARED, Imaging, parameter_covariance, row_bound
from qca.tube.tree_bound import LimbShape, tree_bound


def edge(amplitude, base, blur, half, *, level_free):
    """Samples of a step edge blurred by a Gaussian, at whole pixels, and their derivatives."""
    from scipy.stats import norm

    x = np.arange(-half, half + 1.0)
    mean = base + amplitude * norm.cdf(x / blur)
    columns = [-amplitude * norm.pdf(x / blur) / blur]
    if level_free:
        columns += [norm.cdf(x / blur), np.ones_like(x)]
    return mean, np.column_stack(columns)


@pytest.mark.parametrize(
    ("amplitude", "blur", "noise", "expected"),
    [(100, 1.0, 10, 0.18828), (100, 1.5, 10, 0.23059), (100, 2.0, 5, 0.13313)],
)
def test_edge_place_in_even_noise(amplitude, blur, noise, expected):
    # var >= 2 sqrt(pi) s sigma^2 dx / A^2 for a blurred edge densely sampled; that a closed form exists:
    # Gatherer A, Stanford CSL-TR-93-560 (1993)
    closed = math.sqrt(2 * math.sqrt(math.pi) * blur * noise**2 / amplitude**2)
    assert closed == pytest.approx(expected, abs=1e-5)
    _, jacobian = edge(amplitude, 0, blur, 14, level_free=False)
    found = parameter_covariance(jacobian, np.full(len(jacobian), noise**2))
    assert math.sqrt(found[0, 0]) == pytest.approx(expected, rel=5e-4)


@pytest.mark.parametrize(
    ("amplitude", "base", "blur", "half", "level_free", "expected"),
    [
        (200, 400, 1.0, 14, False, 0.20958),
        (200, 400, 1.5, 14, False, 0.25668),
        (200, 400, 1.5, 8, True, 0.30941),
        (500, 500, 1.0, 14, False, 0.10185),
    ],
)
def test_edge_place_in_counted_quanta(amplitude, base, blur, half, level_free, expected):
    # position bound with Poisson counts as in Winick KA, J Opt Soc Am A 1986;3:1809; values summed sample by sample
    mean, jacobian = edge(amplitude, base, blur, half, level_free=level_free)
    assert math.sqrt(parameter_covariance(jacobian, mean)[0, 0]) == pytest.approx(expected, abs=1.5e-5)


def test_a_parameter_without_effect_is_refused():
    with pytest.raises(np.linalg.LinAlgError, match="changes no sample"):
        parameter_covariance(np.column_stack([np.ones(4), np.zeros(4)]), np.ones(4))


def test_thin_vessel_is_a_gaussian_line():
    # r << blur: the opacity is pi r^2 times a Gaussian of the blur, so with all else known
    # I(r) = (2 pi r mu)^2 sum g^2 / var = (2 pi r mu)^2 / (2 sqrt(pi) s var): elementary
    diameter, contrast, blur, photons = 0.2, 0.005, 1.5, 1e4
    imaging = Imaging(photons, blur, contrast)
    radius = diameter / 2
    closed = 2 * math.sqrt(2 * math.sqrt(math.pi) * blur / photons) / (2 * math.pi * radius * contrast)
    # the background's level and slope are free: with a wide margin that costs little
    assert row_bound(diameter, imaging, margin_px=400) == pytest.approx(closed, rel=0.01)


def test_more_quanta_longer_average():
    imaging = Imaging(900, 1.0, 0.017)
    one = row_bound(10, imaging)
    assert row_bound(10, Imaging(3600, 1.0, 0.017)) == pytest.approx(one / 2, rel=1e-9)
    assert row_bound(10, imaging, rows=16) == pytest.approx(one / 4, rel=1e-9)


@pytest.mark.parametrize("diameter", [3.0, 5.0, 10.0, 20.0])
def test_each_unknown_costs(diameter):
    imaging = Imaging(900, 1.0, 0.017)
    known = [SHARED, ("contrast", "bending"), ("bending",), ()]
    bounds = [row_bound(diameter, imaging, known=names) for names in known]
    assert bounds == sorted(bounds)
    assert bounds[-1] > 1.5 * bounds[0]


def test_grey_steps_add_the_rounding_variance():
    # 1/12 of a step squared: uniform rounding error, elementary
    imaging = Imaging(1e9, 1.0, 0.017, grey_steps=100)
    variance = imaging.variance(np.array([1.0]))[0]
    assert variance == pytest.approx(1e-4 / 12, rel=1e-3)


def test_tree_of_one_even_limb_equals_averaged_rows():
    imaging = Imaging(900, 1.0, 0.017)
    limb = LimbShape(np.full(100, 8.0), 50.0)
    whole = tree_bound([limb], imaging, known=SHARED, background_order=1)[0]
    rows = row_bound(16, imaging, rows=100)
    # level and slope of the background are even in the offset and odd: along the limb they cost what they cost in a row
    assert whole.mean_diameter_px == pytest.approx(rows, rel=0.02)
    curved = tree_bound([limb], imaging, known=SHARED, background_order=2)[0]
    assert curved.mean_diameter_px > 1.1 * rows


def test_a_lesion_is_known_less_well_than_the_taper():
    s = np.arange(120.0)
    radius = 10 - 0.01 * s
    dip = np.where(abs(s - 60) < 20, 0.25 * (1 + np.cos(np.pi * (s - 60) / 20)), 0.0)
    imaging = Imaging(900, 1.0, 0.017)
    narrowed, healthy = tree_bound(
        [LimbShape(radius * (1 - dip), 60.0, (40.0, 80.0)), LimbShape(radius, 119.0)], imaging
    )
    assert narrowed.mld_px > 1.5 * narrowed.reference_px
    mld, reference = 2 * 10 * 0.5, 2 * (10 - 0.6)
    independent = 100 * math.hypot(narrowed.mld_px / reference, mld * narrowed.reference_px / reference**2)
    assert 0.5 * independent < narrowed.ds_percent < 1.5 * independent  # shared contrast and blur correlate the two
    assert healthy.mld_px == healthy.reference_px


def chord_blurred(x, radius, blur, contrast):
    """Transmission of a cylinder blurred by a Gaussian, by sums on a fine grid: shares no code with the bound."""
    step = 0.02
    fine = np.arange(x[0] - 8 * blur, x[-1] + 8 * blur, step)
    passed = np.exp(-2 * contrast * np.sqrt(np.clip(radius**2 - fine**2, 0, None)))
    kernel = np.exp(-0.5 * ((x[:, None] - fine) / blur) ** 2)
    return (kernel / kernel.sum(1, keepdims=True)) @ passed


@pytest.mark.parametrize("diameter", [4.0, 12.0])
def test_a_maximum_likelihood_fit_reaches_the_bound(diameter):
    from scipy.optimize import least_squares

    imaging = Imaging(900, 1.0, 0.03)
    x = np.arange(-16.0, 17.0)
    rows = 25  # averaged: the fit is in its asymptotic range
    rng = np.random.default_rng(5)
    truth = chord_blurred(x, diameter / 2, 1.0, 0.03)
    found = []
    for _ in range(160):
        seen = rng.poisson(900 * rows * truth) / (900 * rows)

        def misfit(p, seen=seen):
            model = chord_blurred(x - p[1], p[0], 1.0, 0.03) * (p[2] + p[3] * x / 16)
            return (seen - model) * np.sqrt(900 * rows / truth)

        found.append(2 * least_squares(misfit, [diameter / 2 + 0.2, 0.1, 1.0, 0.0], method="lm").x[0])
    bound = row_bound(diameter, imaging, rows=rows, margin_px=16 - diameter / 2 - 3)
    # the sample SD of 160 draws is known to 5.6 %; three of those
    assert np.std(found, ddof=1) == pytest.approx(bound, rel=0.17)
    assert np.mean(found) == pytest.approx(diameter, abs=4 * bound / math.sqrt(160))
