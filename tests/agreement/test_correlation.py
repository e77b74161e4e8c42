"""Intraclass correlation, concordance and kappa against published tables and reference libraries."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from qca.agreement.concordance import concordance
from qca.agreement.intraclass import intraclass
from qca.agreement.kappa import cohen, fleiss, kappa
from tests.agreement.published import JUDGES, LARGE, MINI


def test_shrout_and_fleiss():
    """Printed: BMS 11.24, WMS 6.26, JMS 32.49, EMS 1.02; coefficients .17 .29 .71 and .44 .62 .91."""
    result = intraclass(JUDGES)
    squares = [result.between, result.within, result.judges, result.error]
    assert_allclose(squares, [11.241667, 6.263889, 32.486111, 1.019444], atol=5e-7)
    assert_allclose([x.value for x in result.single], [0.16574, 0.28976, 0.71484], atol=5e-6)
    assert_allclose([x.value for x in result.average], [0.44280, 0.62005, 0.90932], atol=5e-6)
    assert [f"{x.value:.2f}"[1:] for x in (*result.single, *result.average)] == [
        *(".17", ".29", ".71"),
        *(".44", ".62", ".91"),
    ]


def test_intervals_of_shrout_and_fleiss():
    """The two-way random form with Satterthwaite's 4.785 degrees of freedom; computed by hand from the formulas."""
    one, two, three = intraclass(JUDGES).single
    assert_allclose([one.low, one.high], [-0.13293, 0.72256], atol=5e-6)
    assert_allclose([two.low, two.high], [0.01879, 0.76108], atol=5e-6)
    assert_allclose([three.low, three.high], [0.34246, 0.94586], atol=5e-6)


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore:.*inplace", "ignore::RuntimeWarning")
@pytest.mark.parametrize("seed", range(4))
def test_intraclass_against_a_reference_library(seed):
    """pingouin, all six forms and their intervals, on random tables; row 0 has a missing read in two of them."""
    import pandas as pd
    import pingouin

    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(5, 30)), int(rng.integers(2, 5))
    values = rng.normal(3, 1, (n, 1)) + rng.normal(0, 0.2, (1, k)) + rng.normal(0, 0.3, (n, k))
    if seed % 2:
        values[0, 0] = np.nan
    long = pd.DataFrame([(i, j, values[i, j]) for i in range(n) for j in range(k)], columns=["item", "reader", "value"])
    pingouin.options["round"] = None
    pingouin.options["round.column.CI95"] = None
    reference = pingouin.intraclass_corr(long, "item", "reader", "value", nan_policy="omit")
    result = intraclass(values)
    mine = (*result.single, *result.average)
    assert_allclose([x.value for x in mine], reference["ICC"].to_numpy(), rtol=1e-9)
    bounds = np.stack(reference["CI95"].to_numpy())
    assert_allclose([(x.low, x.high) for x in mine], bounds, atol=6e-3)  # rounded to two digits there
    assert result.dropped == seed % 2


def test_a_constant_shift_between_readers_hurts_21_and_not_31():
    values = np.array([1.0, 2.0, 3.0, 4.0])[:, None] + np.array([0.0, 1.0])
    result = intraclass(values)
    assert result.single[2].value == 1
    assert result.single[1].value < 0.9
    assert "constant" in result.single[1].note


def test_equal_values_and_few_targets_are_said():
    assert "all values are equal" in intraclass(np.full((5, 2), 0.1)).note
    assert math.isnan(intraclass(np.full((5, 2), 0.1)).single[0].value)
    assert "2 complete targets" in intraclass([[1, 2], [3, 4], [math.nan, 1]]).note
    same = intraclass([[1, 1], [2, 2], [3, 3]])
    assert [x.value for x in same.single] == [1, 1, 1]


def test_interval_of_one_way_form_holds():
    """Coverage over 2000 samples of 12 targets by 2 readers, true coefficient 0.8 (three binomial SD: 1.5 %)."""
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(2000):
        values = rng.normal(0, 2, (12, 1)) + rng.normal(0, 1, (12, 2))
        one = intraclass(values).single[0]
        hits += one.low <= 0.8 <= one.high
    assert abs(hits / 2000 - 0.95) < 0.015


def test_concordance_on_the_table_of_1986():
    """Lin LI, Biometrics 1989;45:255: 1/n moments. First readings of Bland and Altman's 17 subjects, by hand."""
    result = concordance(LARGE[:, 0], MINI[:, 0])
    assert_allclose(result.coefficient.value, 0.9427424, atol=5e-8)
    assert_allclose(result.accuracy, 0.9994307, atol=5e-8)
    assert_allclose(result.precision * result.accuracy, result.coefficient.value)
    sample = 2 * np.cov(LARGE[:, 0], MINI[:, 0])[0, 1]
    sample /= LARGE[:, 0].var(ddof=1) + MINI[:, 0].var(ddof=1) + (LARGE[:, 0].mean() - MINI[:, 0].mean()) ** 2
    assert_allclose(sample, 0.9427525, atol=5e-8)  # the trap: 1/(n-1) moments
    assert abs(sample - result.coefficient.value) > 5e-6


def test_concordance_interval_holds():
    """Coverage over 2000 samples of 30 pairs with shift; the true value from the formula (three binomial SD: 1.5 %)."""
    rng = np.random.default_rng(11)
    truth = 2 * 1.0 / (1.0 + 1.25 + 0.3**2)
    hits = 0
    for _ in range(2000):
        x = rng.normal(0, 1, 30)
        result = concordance(x, x + 0.3 + rng.normal(0, 0.5, 30)).coefficient
        hits += result.low <= truth <= result.high
    assert abs(hits / 2000 - 0.95) < 0.015


def test_concordance_without_variation_is_said():
    assert "does not vary" in concordance([1, 1, 1, 1], [1, 2, 3, 4]).coefficient.note
    assert "3 complete pairs" in concordance([1, 2, 3], [1, 2, 3]).coefficient.note
    same = concordance([1, 2, 3, 4], [1, 2, 3, 4])
    assert_allclose(same.coefficient.value, 1)
    assert "identical" in same.coefficient.note


def test_kappa_with_the_printed_standard_error():
    """Kavanagh et al., BMC Cancer 2009;9:1, Table 2: 18 cases, kappa 0.906, standard error 0.092 (not assuming 0)."""
    estimate, _, _ = cohen([[7, 1, 0], [0, 8, 0], [0, 0, 2]])
    assert f"{estimate.value:.3f}" == "0.906"
    from scipy import stats

    half = estimate.value - estimate.low
    assert f"{half / stats.norm.ppf(0.975):.3f}" == "0.092"


def test_kappa_of_a_fourfold_table():
    """Wahi M, Pezzullo J, Biostatistics, 2nd ed., Figure 13-6: two raters of 50 specimens, kappa 0.5138."""
    estimate, observed, expected = cohen([[22, 5], [7, 16]])
    assert f"{estimate.value:.4f}" == "0.5138"
    assert_allclose([observed, expected], [38 / 50, (27 * 29 + 23 * 21) / 2500])


@pytest.mark.parametrize("seed", range(3))
def test_kappa_against_a_reference_library(seed):
    """statsmodels: Cohen's kappa with its standard error, Fleiss' kappa of three readers."""
    from statsmodels.stats import inter_rater

    rng = np.random.default_rng(seed)
    truth = rng.integers(0, 3, 60)
    readers = [np.where(rng.random(60) < 0.8, truth, rng.integers(0, 3, 60)) for _ in range(3)]
    columns = [[str(x) for x in reader] for reader in readers]
    counts = np.zeros((3, 3))
    np.add.at(counts, (readers[0], readers[1]), 1)
    reference = inter_rater.cohens_kappa(counts)
    two = kappa(columns[:2])
    assert_allclose(two.coefficient.value, reference.kappa)
    assert_allclose([two.coefficient.low, two.coefficient.high], [reference.kappa_low, reference.kappa_upp])
    three = kappa(columns)
    per_item, _ = inter_rater.aggregate_raters(np.stack(readers, axis=1), n_cat=3)
    assert_allclose(three.coefficient.value, inter_rater.fleiss_kappa(per_item))
    assert three.readers == 3


def test_fleiss_on_paper():
    """Three readers, two items: (3, 0) and (1, 2). Observed (1 + 1/3) / 2, chance (4/6)^2 + (2/6)^2."""
    estimate, observed, expected = fleiss([[3, 0], [1, 2]])
    assert_allclose([observed, expected], [2 / 3, 5 / 9])
    assert_allclose(estimate.value, (2 / 3 - 5 / 9) / (4 / 9))


def test_kappa_with_one_category_is_not_zero_or_one():
    result = kappa([["1"] * 5, ["1"] * 5])
    assert math.isnan(result.coefficient.value)
    assert "0/0" in result.coefficient.note
    assert result.observed == 1


def test_kappa_leaves_out_missing_and_counts_them():
    result = kappa([["0", "1", None, "1"], ["0", "1", "1", None]])
    assert (result.n, result.dropped) == (2, 2)
    assert result.shares == {"0": 0.5, "1": 0.5}
    assert kappa([[None], ["1"]]).n == 0


def test_kappa_needs_columns_of_equal_length():
    with pytest.raises(ValueError, match="equal length"):
        kappa([["1"], ["1", "0"]])
