"""Published criteria of complexity, against the paper's own logic.

Chen SL et al., JACC Cardiovasc Interv 2014;7:1266-1276, table reprinted in BMJ Open 2018;8:e020019: one major
(stenosis AND length) and two minor criteria.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from qca.sizing.case import NO_CASE, parse_case
from qca.sizing.worksheet import plan
from tests.sizing.invented_reading import reading


def lesion(case="", *, exact=True, angle_b=60.0, **numbers):
    limbs = {"side": {"start": 0.0, "end": 10.0, "ds": 70.0, **numbers}}
    made = reading(limbs=limbs, angles=(150.0, angle_b, 210.0 - angle_b), exact=exact)
    return plan(made, case=parse_case(case) if case else NO_CASE)


def not_complex(sheet):
    return next(one for one, _ in sheet.answers[0].rules if one.rule.id == "not_complex")


LM = 'site = "left_main"\nthrombus = false\nlesions = 1\ncalcification = "moderate"\n'
OTHER = LM.replace("left_main", "not_left_main")


def is_complex(case, **numbers) -> bool:
    return not_complex(lesion(case, **numbers)).value == 1.0


def test_left_main_with_two_minors_is_complex():
    assert is_complex(LM, angle_b=71.0)


def test_angle_of_exactly_70_is_no_minor_criterion():
    assert not is_complex(LM, angle_b=70.0)


def test_other_sites_ask_for_90_percent():
    assert not is_complex(OTHER, angle_b=71.0, ds=89.9)
    assert is_complex(OTHER, angle_b=71.0, ds=90.0)


def test_length_and_stenosis_are_both_needed():
    # A secondary summary prints "or"; the table of the paper says "and".
    assert not is_complex(LM, angle_b=71.0, end=9.9)
    assert not is_complex(LM, angle_b=71.0, ds=69.9)
    assert is_complex(LM, angle_b=71.0, ds=70.0, end=10.0)


@pytest.mark.parametrize(("case", "expected"), [
    (LM, False),
    (LM.replace("thrombus = false", "thrombus = true"), True),
    (LM.replace("lesions = 1", "lesions = 2"), True),
    (LM.replace("moderate", "mild"), False),
    (LM.replace("moderate", "mild").replace("thrombus = false", "thrombus = true"), False),
])  # fmt: skip
def test_two_minors_are_needed(case, expected):
    assert is_complex(case) is expected


def test_unsaid_facts_do_not_matter_where_they_cannot():
    simple = not_complex(lesion('site = "left_main"', ds=40.0))
    assert simple.verdict == "fits"
    assert simple.missing == ""


def test_unsaid_facts_are_named_where_they_decide():
    open_question = not_complex(lesion('site = "left_main"', angle_b=90.0))
    assert open_question.verdict == "cannot_tell"
    assert "calcification" in open_question.missing
    assert "thrombus" in open_question.missing
    assert "site" not in open_question.missing
    unknown_site = not_complex(lesion("thrombus = true\nlesions = 3\n", ds=80.0))
    assert unknown_site.verdict == "cannot_tell"
    assert "site" in unknown_site.missing


def test_sampled_probability_against_the_closed_form():
    # Stenosis and length are independent, and without a scale error so are the three measured minors.
    from qca.sizing.complexity import lesion_answer

    made = reading(
        limbs={"side": {"start": 0.0, "end": 10.4, "ds": 71.0, "ds_sd": 3.0, "length_sd": 0.6},
               "distal": {"reference": 2.52, "reference_sd": 0.05}},
        angles=(150.0, 72.0, 138.0), scale_relative_sd=0.0,
    )  # fmt: skip
    sheet = plan(made, case=parse_case(LM))
    major = stats.norm.sf(70, 71, 3) * stats.norm.sf(10, 10.4, 0.6)
    grid = np.linspace(-5, 5, 20001)
    wide = np.mean(stats.norm.sf(70, 72 + grid, 2.0)) + np.mean(stats.norm.cdf(45, 72 + grid, 2.0))
    small = stats.norm.cdf(2.5, 2.52, 0.05)
    second = 1 - (1 - wide) * (1 - small)  # calcification is the first minor; a lesion of 25 mm is out of reach
    found = 1.0 - lesion_answer(sheet.facts).complex_lesion.probability
    spread = math.sqrt(major * second * (1 - major * second) / sheet.facts.draws.number)
    assert found == pytest.approx(major * second, abs=4 * spread)


def test_left_main_rows_only_where_they_apply():
    ids = {one.rule.id for one in lesion(LM).lesion.judgements}
    others = {one.rule.id for one in lesion(OTHER).lesion.judgements}
    assert any(rule.startswith("left_main") for rule in ids)
    assert not any(rule.startswith("left_main") for rule in others)
    assert "complexity_other_stenosis" not in ids
    assert "complexity_left_main_stenosis" not in others


def test_half_is_narrowed_at_exactly_50_percent():
    # Medina A et al. 2006 has "more than" in some papers and "at least" in others; here it is at least.
    one = next(one for one in lesion(ds=50.0).lesion.judgements if one.rule.id == "true_side")
    assert one.holds is True
    assert "≥" in one.rule.source


def test_a_jailed_stenosis_is_not_called_ischaemia():
    sheet = lesion('phase = "after_first_stent"\nfirst_stent = "main"\nside_flow_grade = 3', ds=75.0)
    one = next(one for one in sheet.lesion.judgements if one.rule.id == "jailed_side_stenosis")
    assert one.verdict == "fits"
    assert "Not a test of ischaemia" in one.rule.source
    text = " ".join(step.check_before_next for step in sheet.steps["provisional"])
    assert "not by itself ischaemia" in text


@pytest.mark.parametrize(("facts", "probability"), [
    ('side_access = "difficult"', 1.0),
    ('side_access = "easy"\nside_mass_percent = 5\ncalcification = "none"', 0.0),
    ('side_access = "easy"\nside_mass_percent = 15\ncalcification = "severe"', 1.0),
    ('side_access = "easy"\nside_mass_percent = 15\ncalcification = "mild"', 0.0),
])  # fmt: skip
def test_reasons_for_an_upfront_second_stent(facts, probability):
    case = f'site = "not_left_main"\nthrombus = false\nlesions = 1\n{facts}'
    sheet = lesion(case, ds=30.0)
    assert sheet.lesion.reasons.probability == probability


def test_true_left_main_bifurcation_is_a_reason():
    case = 'site = "left_main"\nside_access = "easy"\ncalcification = "none"\nthrombus = false\nlesions = 1'
    with_side = lesion(case, ds=60.0, start=8.0, end=11.0)
    without = lesion(case, ds=40.0, start=8.0, end=11.0)
    assert with_side.lesion.reasons.probability == 1.0
    assert without.lesion.reasons.probability == 0.0


def test_main_vessel_lesion_is_as_long_as_its_narrowed_parts():
    # Proximal 8 mm (from 4 to 12), distal 6 mm (from 1 to 7): 14 mm, whatever lies between them and the carina.
    limbs = {"proximal": {"start": 4.0, "end": 12.0}, "distal": {"start": 1.0, "end": 7.0}}
    one = {rule.rule.id: rule for rule in plan(reading(limbs=limbs)).lesion.judgements}["complexity_main_length"]
    assert one.value == pytest.approx(14.0)
    limbs["distal"]["ds"] = 10.0  # not narrowed enough to count
    one = {rule.rule.id: rule for rule in plan(reading(limbs=limbs)).lesion.judgements}["complexity_main_length"]
    assert one.value == pytest.approx(8.0)
