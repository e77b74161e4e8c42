"""Limits of agreement and repeatability against the worked example of 1986 and against simulation."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from qca.agreement.limits import corrected_sd, differences
from qca.agreement.repeatability import repeatability
from tests.agreement.published import LARGE, MINI


def first_readings(**options):
    # the paper subtracts the mini meter from the large one
    return differences(MINI[:, 0], LARGE[:, 0], **options)


def test_the_paper_s_limits_are_two_sd_from_the_bias():
    """Printed: mean -2.1, s 38.8, limits -79.7 and 75.5, built from the rounded mean and s."""
    result = first_readings(factor=2)
    assert result.n == 17
    assert_allclose(result.bias.value, -2.1176470588, rtol=1e-10)
    assert_allclose(result.sd.value, 38.7651298736, rtol=1e-10)
    assert_allclose([result.lower.value, result.upper.value], [-79.6479, 75.4126], atol=5e-5)
    assert_allclose([round(result.bias.value, 1) - 2 * 38.8, round(result.bias.value, 1) + 2 * 38.8], [-79.7, 75.5])


def test_the_default_limits_are_196_sd_and_not_the_printed_ones():
    """-78.10 and 73.86 are what libraries print for this table; the paper's own factor is 2."""
    result = first_readings()
    assert_allclose([result.lower.value, result.upper.value], [-78.0973, 73.8620], atol=5e-5)


def test_intervals_of_the_paper():
    """Printed: -22.0 to 17.8 for the bias; -114.3 to -45.1 and 40.9 to 110.1 for the limits (from rounded values)."""
    result = first_readings(factor=2, interval="1986")
    assert_allclose([result.bias.low, result.bias.high], [-22.0488, 17.8135], atol=5e-5)
    assert_allclose([result.lower.low, result.lower.high], [-114.17, -45.13], atol=5e-3)
    assert_allclose([result.upper.low, result.upper.high], [40.89, 109.93], atol=5e-3)
    assert_allclose(result.correlation, 0.943279, atol=5e-7)


@pytest.mark.parametrize(
    ("meter", "sd_about_zero", "coefficient", "within"), [(LARGE, 21.647, 43.29, 15.307), (MINI, 28.158, 56.32, 19.911)]
)
def test_repeatability_is_not_centred(meter, sd_about_zero, coefficient, within):
    """Printed coefficients: 43.2 and 56.4, twice the SD of the differences about zero."""
    result = repeatability(meter, factor=2)
    assert_allclose(result.within_sd.value, within, atol=5e-4)
    assert_allclose(result.coefficient.value, coefficient, atol=6e-3)
    assert_allclose(result.coefficient.value, 2 * sd_about_zero, atol=1e-3)
    centred = (meter[:, 0] - meter[:, 1]).std(ddof=1)
    assert abs(2 * centred - result.coefficient.value) > 0.1


def test_single_reads_from_means_of_two():
    """Printed: corrected SD 37.7."""
    bias, sd = corrected_sd(MINI, LARGE)
    assert_allclose([bias, sd], [-6.0294, 37.655], atol=6e-4)


def test_limits_against_a_reference_library():
    """pingouin's own drawing of the same plot; it writes its limits into the axes."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt
    import pingouin

    axes = pingouin.plot_blandaltman(MINI[:, 0], LARGE[:, 0], agreement=1.96, confidence=None)
    heights = sorted(line.get_ydata()[0] for line in axes.get_lines() if len(set(line.get_ydata())) == 1)
    plt.close("all")
    result = first_readings()
    # pingouin subtracts the second from the first
    expected = sorted([-result.lower.value, -result.bias.value, -result.upper.value])
    assert all(min(abs(h - e) for h in heights) < 1e-6 for e in expected), heights


def test_proportional_bias_against_a_reference_library():
    """statsmodels' least squares gives the same slope, interval and p."""
    import statsmodels.api as sm

    mean, d = (MINI[:, 0] + LARGE[:, 0]) / 2, LARGE[:, 0] - MINI[:, 0]
    fit = sm.OLS(d, sm.add_constant(mean)).fit()
    result = first_readings()
    assert_allclose(result.slope.value, fit.params[1])
    assert_allclose([result.slope.low, result.slope.high], fit.conf_int()[1])
    assert_allclose(result.slope_p, fit.pvalues[1])
    assert_allclose(result.spread_p, sm.OLS(abs(fit.resid), sm.add_constant(mean)).fit().pvalues[1])


def test_exact_intervals_of_the_limits_hold_for_small_samples():
    """Coverage over 1500 samples of 8 pairs: 95 % for the exact interval (three binomial SD: 1.7 %)."""
    rng = np.random.default_rng(20)
    hits = {"exact": 0, "1986": 0}
    runs = 1500
    for _ in range(runs):
        first = rng.normal(3.0, 0.5, 8)
        second = first + rng.normal(0.0, 0.1, 8)
        for name in hits:
            upper = differences(first, second, interval=name).upper
            hits[name] += upper.low <= 0.196 <= upper.high
    assert abs(hits["exact"] / runs - 0.95) < 0.017
    assert hits["1986"] < hits["exact"] - 15


def test_small_differences_on_paper():
    """Differences 1, 2, 3: mean 2, SD 1."""
    result = differences([0, 0, 0], [1, 2, 3])
    assert_allclose([result.bias.value, result.sd.value, result.lower.value], [2, 1, 2 - 1.96])
    assert result.equal == 0


def test_missing_reads_are_left_out():
    result = differences([0, 0, math.nan, 0, 5], [1, 2, 7, 3, math.nan])
    assert result.n == 3
    assert_allclose(result.bias.value, 2)


def test_too_few_pairs_and_ties_are_said():
    assert math.isnan(differences([1, 2], [1, 2]).bias.value)
    assert "2 complete pairs" in differences([1, 2], [1, 2]).note
    tied = differences([1, 2, 3, 4], [1, 2, 3, 4])
    assert tied.equal == 4
    assert tied.sd.value == 0
    assert "equal" in tied.note


@pytest.mark.parametrize("bad", [([1, 2], [1]), ([[1, 2]], [[1, 2]])])
def test_columns_must_match(bad):
    with pytest.raises(ValueError, match="same length"):
        differences(*bad)


def test_infinite_values_are_misuse():
    with pytest.raises(ValueError, match="infinite"):
        differences([1, 2, math.inf], [1, 2, 3])


def test_repeatability_with_unequal_numbers_of_reads_on_paper():
    """(1, 3) has squares 2 with 1 degree; (2, 2, 5) has squares 6 with 2; together sqrt(8 / 3)."""
    result = repeatability([[1, 3, math.nan], [2, 2, 5], [9, math.nan, math.nan]])
    assert (result.n, result.reads) == (2, 5)
    assert_allclose(result.within_sd.value, math.sqrt(8 / 3))
    assert_allclose(result.variation_percent.value, 100 * math.sqrt(8 / 3) / 2.6)


def test_within_sd_is_the_root_of_the_anova_s_mean_square():
    """scipy's one-way analysis of variance: F = between / within, so within = between / F."""
    from scipy import stats

    f = stats.f_oneway(*LARGE).statistic
    between = 2 * LARGE.mean(axis=1).var(ddof=1)
    assert_allclose(repeatability(LARGE).within_sd.value ** 2, between / f)


def test_nothing_read_twice_is_said():
    result = repeatability([[1, math.nan], [math.nan, 2]])
    assert math.isnan(result.within_sd.value)
    assert "read twice" in result.note


def test_coefficient_of_variation_needs_a_positive_mean():
    assert "positive" in repeatability([[-1, 1], [-2, 2]]).variation_percent.note
