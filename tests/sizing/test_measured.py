"""What sizing takes from a reading: scale and random parts apart, refusals, unknown limbs."""

from __future__ import annotations

import dataclasses
import math
from types import MappingProxyType

import numpy as np
import pytest

from calib.scale import Scale
from qca.errors import InputError, MissingScale
from qca.reading import Flag
from qca.sizing.case import parse_case
from qca.sizing.draws import draw
from qca.sizing.measured import measured_bifurcation, split
from qca.sizing.worksheet import plan
from tests.sizing.invented_reading import reading


def test_total_sd_is_taken_apart():
    # 3.5 mm with 2 % scale error and a random part of 0.04 mm: total sqrt(0.04^2 + 0.07^2).
    length = split(3.5, math.hypot(0.04, 0.07), 0.02)
    assert length.sd_random == pytest.approx(0.04)
    assert length.sd_scale == pytest.approx(0.07)
    assert length.sd == pytest.approx(math.hypot(0.04, 0.07))


def test_rounding_below_the_scale_part_leaves_no_random_part():
    assert split(3.5, 0.0699, 0.02).sd_random == 0.0


def test_both_ways_to_the_random_part_agree():
    made = reading(scale_relative_sd=0.02)
    limb = made.limbs["side"]
    direct = measured_bifurcation(made).side.reference
    worked_out = split(limb.reference_mm, limb.reference_sd_mm, 0.02)
    assert direct.sd_random == pytest.approx(worked_out.sd_random, rel=1e-9)
    assert direct.sd == pytest.approx(limb.reference_sd_mm, rel=1e-9)


def test_no_scale_no_sizing():
    with pytest.raises(MissingScale, match=r"no scale.*catheter"):
        plan(reading(scale=False))


def test_one_segment_is_refused():
    made = reading()
    segment = dataclasses.replace(made, limbs=MappingProxyType({"segment": made.limbs["distal"]}))
    with pytest.raises(InputError, match="one segment without a side branch"):
        plan(segment)


def test_a_missing_limb_is_unknown_and_flagged():
    made = reading()
    limbs = {name: limb for name, limb in made.limbs.items() if name != "side"}
    sheet = plan(dataclasses.replace(made, limbs=MappingProxyType(limbs)))
    side = sheet.facts.measured.side
    # Two limbs are left, so the law offers the third's reference, marked as derived; its stenosis stays unknown.
    assert side.derived
    assert math.isnan(side.ds_percent)
    assert any(one.code == "reference_derived" and one.where == "side" for one in sheet.remarks)
    assert all(result.verdict != "fits" for result in sheet.answers)


def test_two_missing_references_stay_unknown():
    made = reading(limbs={"side": {"reference": math.nan}, "distal": {"reference": math.nan}})
    sheet = plan(made)
    assert {one.code for one in sheet.remarks if one.where in ("side", "distal")} == {"reference_missing"}
    assert all(result.verdict in ("cannot_tell", "does_not_fit") for result in sheet.answers)


def unstated_scale():
    made = reading()
    return dataclasses.replace(made, scale=Scale(0.2, math.nan, "typed in"))


def test_without_the_scale_sd_no_rule_in_mm_is_decided():
    sheet = plan(unstated_scale())
    by_id = {one.rule.id: one for one in sheet.lesion.judgements}
    assert by_id["side_relevance"].verdict == "cannot_tell"
    assert "scale" in by_id["side_relevance"].missing
    assert by_id["true_side"].verdict == "fits"  # a ratio needs no scale
    assert any(one.code == "scale_sd_unknown" for one in sheet.remarks)


def test_the_scale_sd_can_be_typed():
    sheet = plan(unstated_scale(), case=parse_case("scale_sd_percent = 2.0"))
    reference = sheet.facts.measured.side.reference
    assert reference.sd_scale == pytest.approx(0.02 * 2.25)
    assert reference.sd_random == pytest.approx(0.04)
    assert "case file" in sheet.facts.measured.scale_source


def test_the_typed_scale_sd_does_not_replace_a_known_one():
    sheet = plan(reading(), case=parse_case("scale_sd_percent = 5.0"))
    assert sheet.facts.measured.scale_relative_sd == pytest.approx(0.01)


def test_an_unknown_flag_holds_back_only_what_it_touches():
    made = reading(flags=(Flag("not_in_any_table", "side", "something is odd"),), limbs={"side": {"ds": 90.0}})
    by_id = {one.rule.id: one for one in plan(made).lesion.judgements}
    assert by_id["true_side"].verdict == "borderline"
    assert "side flagged" in by_id["true_side"].held_back
    assert by_id["true_side"].probability > 0.999
    assert by_id["complexity_small_main"].held_back == ""


def test_a_flagged_scale_holds_back_lengths_but_not_ratios():
    made = reading(flags=(Flag("scale_disagrees", "scale", "two scales"),))
    by_id = {one.rule.id: one for one in plan(made).lesion.judgements}
    assert by_id["side_relevance"].verdict == "borderline"
    assert by_id["true_side"].verdict == "fits"


def test_lesion_limits_in_either_order():
    made = reading()
    side = dataclasses.replace(made.limbs["side"], lesion_start_mm=6.3, lesion_end_mm=0.3)
    measured = measured_bifurcation(dataclasses.replace(made, limbs=MappingProxyType({**made.limbs, "side": side})))
    assert (measured.side.lesion_start.value, measured.side.lesion_end.value) == (0.3, 6.3)


def test_samples_have_the_stated_sd_and_a_common_scale():
    measured = measured_bifurcation(reading(scale_relative_sd=0.03))
    draws = draw(measured, number=200_000, seed=4, view_band_deg=5.0)
    for name, limb in measured.limbs.items():
        assert draws.reference_mm[name].std() == pytest.approx(limb.reference.sd, rel=0.01)
    correlation = np.corrcoef(draws.reference_mm["proximal"], draws.reference_mm["side"])[0, 1]
    expected = (0.03 * 3.5) * (0.03 * 2.25) / (measured.proximal.reference.sd * measured.side.reference.sd)
    assert correlation == pytest.approx(expected, abs=0.01)
    assert draws.angle_b_deg.std() == pytest.approx(math.hypot(2.0, 5.0 / math.sqrt(3)), rel=0.01)


def test_the_same_seed_gives_the_same_samples():
    measured = measured_bifurcation(reading())
    first, second = (draw(measured, number=50, seed=9, view_band_deg=5.0) for _ in range(2))
    assert np.array_equal(first.angle_b_deg, second.angle_b_deg)
    assert not np.array_equal(first.angle_b_deg, draw(measured, number=50, seed=8, view_band_deg=5.0).angle_b_deg)
