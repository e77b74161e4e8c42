"""Diameter laws against worked values of the published formulas.

Sources: Murray 1926 (cube), Huo and Kassab (7/3), Finet 2008 (0.678), area preservation; the numbers are computed from
the formulas by hand calculator, independently of the code.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.units import Mm
from qca.sizing.laws import (
    DEFAULT_LAW,
    FINET_FACTOR,
    FINET_SMALLEST_RATIO,
    LAWS,
    flow_share,
    missing_daughter,
    mother,
)

ORDER = ("murray", "huo_kassab", "finet", "area")

MOTHERS = [
    (3.0, 2.5, (3.4932, 3.7215, 3.7290, 3.9051)),
    (3.0, 3.0, (3.7798, 4.0377, 4.0680, 4.2426)),
    (3.0, 2.0, (3.2711, 3.4529, 3.3900, 3.6056)),
    (3.0, 1.5, (3.1201, 3.2420, 3.0510, 3.3541)),
    (3.5, 3.0, (4.1188, 4.3914, 4.4070, 4.6098)),
    (2.5, 2.0, (2.8694, 3.0531, 3.0510, 3.2016)),
]

DAUGHTERS = [
    (3.5, 3.0, (2.5133, 2.0955, 2.1622, 1.8028)),
    (4.5, 3.7, (3.4334, 2.9273, 2.9372, 2.5612)),
    (4.0, 3.5, (2.7644, 2.2739, 2.3997, 1.9365)),
    (3.25, 2.75, (2.3829, 2.0018, 2.0435, 1.7321)),
]


def mm(value: float, random: float = 0.05, relative: float = 0.01) -> Mm:
    return Mm(value, random, value * relative)


@pytest.mark.parametrize(("first", "second", "expected"), MOTHERS)
def test_mother_of_two_daughters(first, second, expected):
    for law, value in zip(ORDER, expected, strict=True):
        assert mother(law, mm(first), mm(second)).diameter.value == pytest.approx(value, abs=5e-5)
        assert mother(law, mm(second), mm(first)).diameter.value == pytest.approx(value, abs=5e-5)


@pytest.mark.parametrize(("large", "known", "expected"), DAUGHTERS)
def test_missing_daughter(large, known, expected):
    for law, value in zip(ORDER, expected, strict=True):
        assert missing_daughter(law, mm(large), mm(known)).diameter.value == pytest.approx(value, abs=5e-5)


@pytest.mark.parametrize(("law", "ratio"), [("murray", 1.25992), ("huo_kassab", 1.34590), ("finet", 1.356),
                                            ("area", 1.41421)])  # fmt: skip
def test_equal_daughters(law, ratio):
    assert mother(law, mm(2.0), mm(2.0)).diameter.value / 2.0 == pytest.approx(ratio, abs=5e-6)


def test_the_published_means_do_not_reproduce_the_published_constant():
    # Finet 2008 prints means 3.39, 2.708 and 2.236 beside 0.678: a mean of ratios is not the ratio of the means.
    assert FINET_FACTOR == 0.678
    assert pytest.approx(0.6857, abs=5e-5) == 3.39 / (2.708 + 2.236)


@pytest.mark.parametrize("pair", [(3.0, 2.5), (3.0, 1.5), (2.4, 2.3)])
def test_order_of_the_power_laws(pair):
    values = [mother(law, *map(mm, pair)).diameter.value for law in ("murray", "huo_kassab", "area")]
    assert values == sorted(values)


def test_linear_law_is_refused_where_the_mother_would_be_smaller_than_a_daughter():
    assert pytest.approx(0.47493, abs=5e-6) == FINET_SMALLEST_RATIO
    # 0.678 (3.0 + 0.75) = 2.5425 mm, smaller than the 3.0 mm daughter.
    refused = mother("finet", mm(3.0), mm(0.75))
    assert refused.refused
    assert "0.475" in refused.concerns[0]
    assert not mother("finet", mm(3.0), mm(3.0 * (FINET_SMALLEST_RATIO + 1e-6))).refused
    assert mother("finet", mm(3.0), mm(3.0 * (FINET_SMALLEST_RATIO - 1e-6))).refused
    others = {law: mother(law, mm(3.0), mm(0.75)).diameter.value for law in ("murray", "huo_kassab", "area")}
    assert others == pytest.approx({"murray": 3.0155, "huo_kassab": 3.0501, "area": 3.0923}, abs=5e-5)


@pytest.mark.parametrize(("second", "concerned"), [
    (2.4, {"murray", "area"}),              # ratio 0.80
    (2.25, {"murray", "area"}),             # ratio 0.75, the linear law's edge
    (2.2, {"murray", "area", "finet"}),     # ratio 0.733
    (0.75, {"finet"}),                      # ratio 0.25, the edge of Murray and area
])  # fmt: skip
def test_validity_ranges(second, concerned):
    # Huo Y et al., EuroIntervention 2012;7:1310-1316: 7/3 for all; cube and square up to 0.25; linear from 0.75.
    found = {law for law in LAWS if mother(law, mm(3.0), mm(second)).concerns}
    assert found == concerned
    assert not mother(DEFAULT_LAW, mm(3.0), mm(second)).concerns


@pytest.mark.parametrize("law", ORDER)
def test_no_daughter_as_large_as_its_mother(law):
    for large in (2.9, 3.0):
        answer = missing_daughter(law, mm(large), mm(3.0))
        assert answer.refused
        assert "not larger" in answer.concerns[0]
    assert not missing_daughter(law, mm(3.01), mm(3.0)).refused


@pytest.mark.parametrize("law", ORDER)
def test_unknown_diameters_give_no_answer(law):
    assert mother(law, mm(math.nan), mm(2.0)).refused
    assert missing_daughter(law, mm(3.0), mm(math.nan)).refused


@pytest.mark.parametrize("law", ORDER)
def test_uncertainty_against_samples(law):
    rng = np.random.default_rng(11)
    common = 0.02 * rng.standard_normal(400_000)
    first = (3.0 + 0.03 * rng.standard_normal(common.size)) * (1 + common)
    second = (2.5 + 0.04 * rng.standard_normal(common.size)) * (1 + common)
    p = LAWS[law].exponent
    sampled = 0.678 * (first + second) if p is None else (first**p + second**p) ** (1 / p)
    answer = mother(law, Mm(3.0, 0.03, 0.06), Mm(2.5, 0.04, 0.05)).diameter
    assert answer.sd == pytest.approx(sampled.std(), rel=0.01)
    assert answer.sd_scale / answer.value == pytest.approx(0.02, rel=1e-9)  # the scale moves all lengths alike


@pytest.mark.parametrize("law", ORDER)
def test_missing_daughter_undoes_mother(law):
    back = missing_daughter(law, mother(law, mm(3.0), mm(2.5)).diameter, mm(3.0))
    assert back.diameter.value == pytest.approx(2.5, abs=1e-9)


def test_flow_share_of_equal_daughters_is_one_half():
    assert flow_share(3.0, 2.0, 2.0) == 0.5
    assert flow_share(2.0, 3.0, 4.0) == pytest.approx(9 / 25)
