"""Statistics against reference libraries."""

import math

import numpy as np
import pytest

from qca.validation.summary import summarise, wilson
from qca.validation.value import Value


def values(truth, measured, sd=None, bound=None):
    sd = np.full(len(truth), math.nan) if sd is None else sd
    bound = np.full(len(truth), math.nan) if bound is None else bound
    return [
        Value("case", "joint fit", "distal", "mld_mm", t, m, s, bound_sd=b)
        for t, m, s, b in zip(truth, measured, sd, bound, strict=True)
    ]


def test_against_scipy():
    from scipy.stats import linregress

    rng = np.random.default_rng(1)
    truth = rng.uniform(0.5, 4, 300)
    measured = 0.05 + 0.98 * truth + rng.normal(0, 0.1, 300)
    found = summarise(values(truth, measured))
    line = linregress(truth, measured)
    assert (found.slope, found.intercept) == pytest.approx((line.slope, line.intercept))
    error = measured - truth
    assert (found.bias, found.sd) == pytest.approx((error.mean(), error.std(ddof=1)))
    assert found.high - found.low == pytest.approx(2 * 1.959963985 * error.std(ddof=1))
    assert math.isnan(found.coverage)
    assert math.isnan(found.efficiency)


@pytest.mark.parametrize(("hits", "n"), [(0, 10), (7, 10), (10, 10), (188, 200)])
def test_wilson_interval_against_statsmodels(hits, n):
    from statsmodels.stats.proportion import proportion_confint

    assert wilson(hits, n) == pytest.approx(proportion_confint(hits, n, method="wilson"), abs=1e-12)


def test_true_intervals_cover_95_percent_and_narrow_ones_do_not():
    rng = np.random.default_rng(2)
    truth = rng.uniform(1, 4, 4000)
    measured = truth + rng.normal(0, 0.1, 4000)
    right = summarise(values(truth, measured, np.full(4000, 0.1), np.full(4000, 0.1)))
    assert right.coverage == pytest.approx(95, abs=1)
    assert right.efficiency == pytest.approx(1, abs=0.03)
    narrow = summarise(values(truth, measured, np.full(4000, 0.05), np.full(4000, 0.05)))
    assert narrow.coverage == pytest.approx(67.3, abs=2)  # 1.96 / 2 SD of a normal distribution
    assert narrow.efficiency == pytest.approx(2, abs=0.06)


def test_unknown_values_are_counted_and_left_out():
    found = summarise(values([1.0, 2.0, 3.0, 4.0], [1.1, math.nan, 3.1, 4.1]))
    assert (found.n, found.missing) == (3, 1)
    assert found.bias == pytest.approx(0.1)


def test_too_few_values_state_nothing():
    assert math.isnan(summarise(values([1.0, 2.0], [1.0, 2.0])).sd)
