"""References against the diameter laws, and references derived from them."""

from __future__ import annotations

import math

import pytest

from calib.units import Mm
from qca.reading import Flag
from qca.sizing.case import parse_case
from qca.sizing.laws import LAWS, missing_daughter
from qca.sizing.references import contradiction, law_checks, law_reference
from qca.sizing.worksheet import plan
from tests.sizing.invented_reading import reading


def sheet(proximal=3.5, distal=2.75, side=2.25, case="", **numbers):
    limbs = {"proximal": {"reference": proximal}, "distal": {"reference": distal}, "side": {"reference": side}}
    return plan(reading(limbs=limbs, **numbers), case=parse_case(case))


def test_references_that_fit_agree_with_the_law_in_its_range():
    made = sheet(proximal=3.39)  # 7/3 law: 3.39 from 2.75 and 2.25
    check = next(one for one in made.law_checks if one.law == "huo_kassab")
    assert check.verdict == "agrees"
    assert check.deviation_sd == pytest.approx(0.0, abs=0.05)
    assert check.concerns == ()
    assert made.facts.contradiction == ""


def test_the_common_scale_cancels_in_the_comparison():
    check = sheet(scale_relative_sd=0.10).law_checks[1]
    assert check.difference.sd_scale == pytest.approx(0.10 * check.difference.value, rel=1e-9)


def test_a_mother_smaller_than_her_daughter_is_flagged_and_held_back():
    made = sheet(proximal=2.4)
    assert "smaller than the distal one" in made.facts.contradiction
    assert any(one.code == "references_contradict_laws" and one.untrusted for one in made.remarks)
    assert all(result.verdict != "fits" for result in made.answers)
    by_id = {one.rule.id: one for one in made.lesion.judgements}
    assert "contradict" in by_id["side_relevance"].held_back


@pytest.mark.parametrize(("proximal", "contradicts"), [(3.5, False), (4.4, False), (5.2, True), (2.8, False)])
def test_every_law_has_to_be_contradicted(proximal, contradicts):
    made = sheet(proximal=proximal)
    assert bool(made.facts.contradiction) is contradicts
    known = [one for one in made.law_checks if one.verdict in ("agrees", "contradicts")]
    assert all(one.verdict == "contradicts" for one in known) is contradicts


def test_scatter_of_the_laws_from_casts():
    # Area expansion ratio 0.93 +- 0.26 (Anat Rec 1998;251:50-59): half its relative scatter is the diameter's.
    made = sheet()
    assert made.facts.assumptions.law_scatter == pytest.approx(0.26 / 0.93 / 2, abs=5e-4)


def test_a_derived_reference_carries_the_scatter_and_the_disagreement_of_the_laws():
    measured = sheet().facts.measured
    proximal, distal = measured.proximal.reference, measured.distal.reference
    values = [missing_daughter(law, proximal, distal).diameter.value for law in LAWS]
    spread = (max(values) - min(values)) / math.sqrt(12)
    own = missing_daughter("huo_kassab", proximal, distal).diameter
    step = 1e-5
    slope = (
        missing_daughter("huo_kassab", Mm(3.5 + step), distal).diameter.value
        - missing_daughter("huo_kassab", Mm(3.5 - step), distal).diameter.value
    ) / (2 * step)
    bare, full = (law_reference(measured, "side", scatter).diameter for scatter in (0.0, 0.14))
    assert bare.value == full.value == own.value
    assert bare.sd_random == pytest.approx(math.hypot(own.sd_random, spread))
    assert full.sd_random == pytest.approx(math.hypot(own.sd_random, spread, 0.14 * 3.5 * slope), rel=1e-6)


def test_a_derived_mother_scatters_as_the_casts_do():
    measured = sheet().facts.measured
    answer = law_reference(measured, "proximal", 0.14).diameter
    assert answer.sd_random > 0.14 * answer.value
    assert answer.sd_random == pytest.approx(0.14 * answer.value, rel=0.15)


def test_a_limb_without_healthy_part_gets_the_laws_reference_marked():
    made = sheet(side=1.3, case='derive_reference = ["side"]')
    side = made.facts.measured.side
    assert side.derived
    assert side.reference.value == pytest.approx((3.5 ** (7 / 3) - 2.75 ** (7 / 3)) ** (3 / 7), abs=1e-9)
    assert "Huo-Kassab law" in side.reference_source
    assert side.ds_percent == pytest.approx(100 * (1 - side.mld.value / side.reference.value))
    by_id = {one.rule.id: one for one in made.lesion.judgements}
    assert "derived from a law" in by_id["true_side"].held_back or by_id["true_side"].verdict == "borderline"


def test_a_reference_that_the_reading_derived_counts_as_derived():
    made = plan(reading(limbs={"side": {"source": "Huo-Kassab diameter law of the other two limbs"}}))
    assert made.facts.measured.side.derived


def test_no_law_has_an_answer_for_a_daughter_as_large_as_the_mother():
    made = sheet(proximal=2.7, case='derive_reference = ["side"]')
    assert not made.facts.measured.side.derived
    assert made.law_references["side"].refused


def test_unknown_sd_does_not_hide_a_contradiction():
    measured = sheet(proximal=2.4).facts.measured
    assert contradiction(measured, law_checks(measured, 0.14))


def test_a_limb_flagged_as_diffusely_diseased_is_offered_the_law():
    limbs = {"side": {"reference": 1.3}}
    made = plan(reading(limbs=limbs, flags=(Flag("no_healthy_part", "side", "narrowed along most of its length"),)))
    offer = next(one for one in made.remarks if one.code == "reference_offered")
    assert f"{made.law_references['side'].diameter.value:.2f}" in offer.message
    assert 'derive_reference = ["side"]' in offer.message
    assert not made.facts.measured.side.derived  # offered, not done
    assert "reference_offered" not in {one.code for one in plan(reading(limbs=limbs)).remarks}
