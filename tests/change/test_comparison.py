"""Before, after, later: definitions, uncertainty with two scales, regions.

Definitions: acute gain = MLD after - MLD before; late loss = MLD after - MLD later; net gain = acute gain - late loss;
loss index = late loss / acute gain; restenosis from 50 % stenosis, in the stent or within 5 mm of it.
"""

from __future__ import annotations

import dataclasses
import json
import math
from types import MappingProxyType

import jsonschema
import numpy as np
import pytest

from calib.scale import Scale
from qca import CAUTION
from qca.change.comparison import compare
from qca.change.region import Stretch, narrowest
from qca.change.schema import comparison_schema
from qca.change.written import comparison_lines, comparison_text
from qca.errors import InputError, MissingScale
from tests.sizing.invented_reading import reading

BEFORE = {"proximal": {"ds": 60.0}, "distal": {"ds": 35.0}, "side": {"ds": 65.0}}
AFTER = {"proximal": {"ds": 5.0}, "distal": {"ds": 8.0}, "side": {"ds": 30.0}}
LATER = {"proximal": {"ds": 20.0}, "distal": {"ds": 12.0}, "side": {"ds": 55.0}}
STENTS = {"proximal": Stretch(0.0, 12.0), "side": Stretch(0.0, 8.0)}


def with_catheter(made, mm_per_px=0.2):
    return dataclasses.replace(made, scale=Scale(mm_per_px, 0.01 * mm_per_px, "catheter"))


def region(found, limb, name="limb"):
    return next(one for one in found.regions if (one.limb, one.region) == (limb, name))


def three(**arguments):
    return compare(reading(limbs=BEFORE), reading(limbs=AFTER, index=1), reading(limbs=LATER, index=2), **arguments)


def test_definitions():
    one = region(three(), "side")
    before, after, later = 2.25 * 0.35, 2.25 * 0.70, 2.25 * 0.45
    assert one.acute_gain.value == pytest.approx(after - before)
    assert one.late_loss.value == pytest.approx(after - later)
    assert one.net_gain.value == pytest.approx(one.acute_gain.value - one.late_loss.value)
    assert one.loss_index.value == pytest.approx((after - later) / (after - before))
    assert one.residual.value == 30.0
    assert one.restenosis.verdict == "fits"  # 55 % with an SD of 2.5


def test_without_a_third_reading_there_is_no_loss():
    one = region(compare(reading(limbs=BEFORE), reading(limbs=AFTER, index=1)), "side")
    assert one.later is one.late_loss is one.net_gain is one.loss_index is one.restenosis is None


def test_two_catheters_are_two_scales():
    found = compare(with_catheter(reading(limbs=BEFORE)), with_catheter(reading(limbs=AFTER, index=1)))
    gain = region(found, "side").acute_gain
    before, after = 2.25 * 0.35, 2.25 * 0.70
    assert gain.sd == pytest.approx(math.hypot(math.hypot(0.06, 0.01 * before), math.hypot(0.06, 0.01 * after)))
    assert not found.common_scale
    assert any(one.code == "independent_scales" for one in found.remarks)


def test_the_same_typed_scale_cancels():
    found = compare(reading(limbs=BEFORE), reading(limbs=AFTER, index=1))
    gain = region(found, "side").acute_gain
    assert gain.sd == pytest.approx(math.hypot(math.hypot(0.06, 0.06), 0.01 * gain.value))
    assert found.common_scale


def test_percent_stenosis_does_not_carry_the_scale():
    for scale in (0.0, 0.08):
        one = region(compare(reading(limbs=BEFORE), reading(limbs=AFTER, scale_relative_sd=scale, index=1)), "side")
        assert one.residual.sd == 2.5


def test_loss_index_uncertainty_against_samples():
    rng = np.random.default_rng(2)
    before, after, later = (2.25 * (1 - ds / 100) + 0.06 * rng.standard_normal(400_000) for ds in (65.0, 30.0, 55.0))
    sampled = (after - later) / (after - before)
    made = [reading(limbs=limbs, scale_relative_sd=0.0, index=k) for k, limbs in enumerate((BEFORE, AFTER, LATER))]
    index = region(compare(*made), "side").loss_index
    middle = np.percentile(sampled, [15.865, 84.135])
    assert index.sd == pytest.approx((middle[1] - middle[0]) / 2, rel=0.03)


def test_no_loss_index_without_a_gain():
    small = {"side": {"ds": 63.0}}
    found = compare(reading(limbs=BEFORE), reading(limbs=small, index=1), reading(limbs=LATER, index=2))
    one = region(found, "side")
    assert one.acute_gain.exceeds is False
    assert math.isnan(one.loss_index.value)


def test_sign_probability_of_a_change():
    one = region(three(), "side").acute_gain
    assert one.sign_probability > 0.999
    assert (
        region(compare(reading(limbs=BEFORE), reading(limbs=BEFORE, index=1)), "side").acute_gain.sign_probability
        == 0.5
    )


def test_regions_of_a_stented_limb():
    found = three(stents=STENTS)
    names = {(one.limb, one.region) for one in found.regions}
    assert {("proximal", name) for name in ("limb", "in_stent", "margins", "in_segment")} <= names
    assert ("side", "ostium") in names
    assert not any(limb == "distal" and name != "limb" for limb, name in names)
    assert region(found, "proximal").residual.rule.id == "success_stent"
    assert region(found, "distal").residual.rule.id == "success_balloon"


def test_the_minimum_inside_a_stretch():
    made = reading()
    limb = three().readings[0].limbs["proximal"]  # lesion 1 to 9 mm, MLD at 5 mm
    inside = narrowest(limb, (Stretch(0.0, 12.0),), 0.01)
    assert inside.corrected
    assert inside.mld.value == made.limbs["proximal"].mld_mm
    beyond = narrowest(limb, (Stretch(6.0, 12.0),), 0.01)
    assert not beyond.corrected
    # The invented lesion is a raised cosine: at 6 mm, a quarter of the way out, it has cos^2(pi/8) of its depth.
    depth = (3.5 - 1.4) * math.cos(math.pi / 8) ** 2
    assert beyond.mld.value == pytest.approx(3.5 - depth, abs=1e-9)
    assert beyond.ds_percent == pytest.approx(100 * depth / 3.5)
    nothing = narrowest(limb, (Stretch(80.0, 90.0),), 0.01)
    assert math.isnan(nothing.mld.value)


@pytest.mark.parametrize(("stent", "margins"), [
    (Stretch(0.0, 12.0), (Stretch(12.0, 17.0),)),
    (Stretch(8.0, 12.0), (Stretch(3.0, 8.0), Stretch(12.0, 17.0))),
    (Stretch(2.0, 12.0), (Stretch(0.0, 2.0), Stretch(12.0, 17.0))),
])  # fmt: skip
def test_margins_are_five_mm(stent, margins):
    assert stent.margins() == margins


@pytest.mark.parametrize("bad", [(5.0, 5.0), (-1.0, 4.0), (6.0, 2.0)])
def test_a_stretch_runs_outwards(bad):
    with pytest.raises(ValueError, match="runs from 0 or more"):
        Stretch(*bad)


def test_restenosis_at_a_margin():
    third = reading(limbs={**LATER, "proximal": {"start": 12.5, "end": 16.5, "ds": 60.0}}, index=2)
    found = compare(reading(limbs=BEFORE), reading(limbs=AFTER, index=1), third, stents=STENTS)
    assert region(found, "proximal", "in_stent").restenosis.verdict == "does_not_fit"
    assert region(found, "proximal", "margins").restenosis.verdict == "fits"
    assert region(found, "proximal", "in_segment").restenosis.verdict == "fits"


def test_the_bifurcation_is_as_good_as_its_worst_region():
    worst = three().worst
    assert (worst.limb, worst.region) == ("side", "limb")


def test_references_that_grew_together_are_flagged():
    grown = {name: {"reference": value * 1.1, **AFTER[name]}
             for name, value in (("proximal", 3.5), ("distal", 2.75), ("side", 2.25))}  # fmt: skip
    found = compare(with_catheter(reading(limbs=BEFORE)), with_catheter(reading(limbs=grown, index=1)))
    flag = next(one for one in found.remarks if one.code == "references_shifted")
    assert "+10 ± 2 %" in flag.message
    assert flag.untrusted
    same = compare(with_catheter(reading(limbs=BEFORE)), with_catheter(reading(limbs=AFTER, index=1)))
    assert not any(one.code == "references_shifted" for one in same.remarks)


def test_two_readings_of_one_frame_are_flagged():
    found = compare(reading(limbs=BEFORE), reading(limbs=AFTER))
    assert any(one.code == "same_frame" and one.untrusted for one in found.remarks)


def test_readings_that_cannot_be_compared():
    with pytest.raises(MissingScale):
        compare(reading(), reading(scale=False))
    made = reading()
    segment = dataclasses.replace(made, limbs=MappingProxyType({"segment": made.limbs["distal"]}))
    with pytest.raises(InputError, match="one segment"):
        compare(segment, reading())
    with pytest.raises(InputError, match="There is no limb 'main'"):
        compare(reading(), reading(index=1), stents={"main": Stretch(0.0, 5.0)})


@pytest.mark.parametrize("made", [
    lambda: three(stents=STENTS),
    lambda: compare(reading(), reading(index=1)),
    lambda: compare(reading(limbs={"side": {"reference": math.nan, "ds": math.nan}}), reading(index=1)),
])  # fmt: skip
def test_document_and_text(made):
    found = made()
    document = json.loads(comparison_text(found))
    jsonschema.Draft202012Validator.check_schema(comparison_schema())
    jsonschema.validate(document, comparison_schema())
    assert document["caution"] == CAUTION
    text = comparison_lines(found)
    assert " ".join(CAUTION.split()) in " ".join(text.split())
    assert "nan" not in text
    assert max(map(len, text.splitlines())) <= 140


def test_what_was_not_traced_is_said_and_no_good_answer_is_certain():
    # The proximal limb is traced over 22 mm; a stent to 24 mm and its margin lie partly beyond.
    found = three(stents={"proximal": Stretch(0.0, 24.0)})
    segment = region(found, "proximal", "in_segment")
    assert segment.after.missing_mm == pytest.approx(24.0 + 5.0 - 22.0, abs=0.01)
    assert segment.restenosis.probability < 0.01
    assert segment.restenosis.verdict == "borderline"
    assert "not traced" in segment.restenosis.held_back
    assert region(found, "proximal", "in_segment").residual.verdict == "borderline"
    flag = next(one for one in found.remarks if one.code == "not_all_traced")
    assert (flag.where, flag.untrusted) == ("proximal", True)
    assert "not traced" in comparison_lines(found)
    whole = three(stents=STENTS)
    assert not any(one.code == "not_all_traced" for one in whole.remarks)
    assert region(whole, "proximal", "in_segment").restenosis.verdict == "does_not_fit"


def test_a_restenosis_that_was_seen_is_certain_however_little_was_traced():
    later = {**LATER, "side": {"ds": 80.0}}
    found = compare(reading(limbs=BEFORE), reading(limbs=AFTER, index=1), reading(limbs=later, index=2),
                    stents={"side": Stretch(0.0, 17.0)})  # fmt: skip
    one = region(found, "side", "in_segment")
    assert one.later.missing_mm > 0
    assert one.restenosis.verdict == "fits"


def test_flagged_numbers_of_a_comparison_are_marked_where_they_stand():
    from qca.reading import Flag

    after = reading(limbs=AFTER, index=1, flags=(Flag("overlap", "side", "a wire"),))
    found = compare(reading(limbs=BEFORE), after)
    one = region(found, "side")
    assert one.held_back == "after: side flagged"
    assert one.residual.held_back == "side flagged"
    assert region(found, "distal").held_back == ""
    text = comparison_lines(found)
    assert "Side !" in text
    assert "! side: must not be relied on as it is (after: side flagged)" in text
    jsonschema.validate(json.loads(comparison_text(found)), comparison_schema())
