"""Facts of the trade about the techniques. Where no source is named: common practice, no source."""

from __future__ import annotations

import math

import pytest

from qca.sizing.case import TECHNIQUE_IDS, parse_case
from qca.sizing.devices import parse_devices
from qca.sizing.layout import strut_segments
from qca.sizing.rules import Judgement
from qca.sizing.techniques import TECHNIQUES, overall
from qca.sizing.worksheet import plan
from tests.sizing.invented_reading import FULL_CASE, PLENTY, device_table, reading


def answers(made=None, devices=PLENTY, case=FULL_CASE, **numbers):
    sheet = plan(made or reading(**numbers), table=parse_devices(devices), case=parse_case(case))
    return {result.technique.id: result for result in sheet.answers}


def rule(result, rule_id) -> Judgement:
    return next(one for one, _ in result.rules if one.rule.id == rule_id)


def test_the_table_lists_the_techniques_of_the_contract():
    assert tuple(TECHNIQUES) == TECHNIQUE_IDS == (
        "provisional", "t", "t_and_protrusion", "mini_crush", "double_kissing_crush", "culotte_classic",
        "culotte_inverted",
    )  # fmt: skip


SMALL_SIDE_STENT = device_table(
    "stent,main,3.0,30,4.5,4.0,",
    "stent,small,2.25,20,3.5,3.2,",
    "balloon,opt,3.50,8,,,", "balloon,opt4,4.0,8,,,", "balloon,two,2.25,12,,,", "balloon,three,3.0,12,,,",
)  # fmt: skip


@pytest.mark.parametrize(("proximal", "verdict"), [(3.5, "fits"), (4.0, "does_not_fit")])
def test_a_2_25_stent_that_opens_to_3_5_in_culotte(proximal, verdict):
    # Common practice, no source: it fits with a 3.5 mm main vessel and not with a 4.0 mm one.
    limbs = {"proximal": {"reference": proximal}, "distal": {"reference": 3.0}, "side": {"reference": 2.25}}
    found = answers(reading(limbs=limbs, exact=True), devices=SMALL_SIDE_STENT)
    for technique in ("culotte_classic", "culotte_inverted"):
        one = rule(found[technique], "side_reaches_proximal")
        assert one.verdict == verdict
        assert one.threshold == 3.5
        assert (found[technique].verdict == "does_not_fit") is (verdict == "does_not_fit")


def test_the_same_stent_is_borderline_when_the_vessel_is_measured_with_an_error():
    found = answers(limbs={"proximal": {"reference": 3.5}, "distal": {"reference": 3.0}}, devices=SMALL_SIDE_STENT)
    one = rule(found["culotte_classic"], "side_reaches_proximal")
    assert one.verdict == "borderline"
    assert one.probability == pytest.approx(0.5)
    assert one.holds is True


@pytest.mark.parametrize(("angle", "verdict"), [(89.0, "fits"), (68.0, "borderline"), (50.0, "does_not_fit")])
def test_t_needs_close_to_90_degrees_to_leave_no_gap(angle, verdict):
    # Teaching texts on the T technique: over 70 degrees, best at 90.
    found = answers(angles=(180.0 - angle / 2, angle, 180.0 - angle / 2))
    assert found["t"].verdict == verdict
    bare = rule(found["t"], "t_bare_length").value
    assert bare == pytest.approx(2.25 / math.tan(math.radians(angle)), abs=1e-9)


def test_t_and_protrusion_suits_larger_angles_and_smaller_branches():
    # Burzotta F et al., EuroIntervention 2015;11(V): more acute, longer new carina.
    def carina(angle, side):
        found = answers(angles=(150.0, angle, 210.0 - angle), limbs={"side": {"reference": side}})
        return rule(found["t_and_protrusion"], "new_carina_length").value

    assert carina(85.0, 2.25) < carina(70.0, 2.25) < carina(50.0, 2.25)
    assert carina(60.0, 2.0) < carina(60.0, 2.25) < carina(60.0, 2.75)


@pytest.mark.parametrize("angle", [35.0, 60.0, 90.0, 110.0])
def test_culotte_works_at_any_angle_with_comparable_branches(angle):
    found = answers(angles=(180.0 - angle / 2, angle, 180.0 - angle / 2))
    for technique in ("culotte_classic", "culotte_inverted"):
        assert found[technique].verdict in ("fits", "borderline")  # a wide angle speaks against it, and no more
        assert rule(found[technique], "culotte_mismatch").verdict == "fits"


def test_layers():
    found = answers()
    layers = {name: result.layers for name, result in found.items()}
    assert layers == {
        "provisional": 1, "t": 1, "t_and_protrusion": 1, "mini_crush": 3, "double_kissing_crush": 3,
        "culotte_classic": 2, "culotte_inverted": 2,
    }  # fmt: skip
    for technique in ("culotte_classic", "culotte_inverted"):
        struts = found[technique].struts
        assert struts["proximal"][0].layers == 2
        assert struts["proximal"][0].where == "whole circumference"
        assert {one.layers for one in struts["distal"]} == {one.layers for one in struts["side"]} == {1}
    crush = found["mini_crush"].struts["proximal"]
    assert [one.layers for one in crush] == [1, 3, 1]
    assert crush[1].layers_elsewhere == 1
    assert crush[1].to_mm - crush[1].from_mm == pytest.approx(2.0)
    assert "side of the side branch" in crush[1].where
    standing = found["t_and_protrusion"].struts["proximal"]
    assert standing[0].in_lumen == 1
    assert found["provisional"].struts["side"] == ()


def test_layers_of_hand_written_spans():
    from qca.sizing.layout import StentSpan
    from qca.sizing.propagation import exact

    long = StentSpan("main_stent", "distal", exact(10), exact(8), exact(18), "tube", "proximal", "proximal")
    short = StentSpan("side_stent", "side", exact(4), exact(6), exact(10), "tube", "proximal", "daughter")
    found = strut_segments((long, short))
    assert [(one.from_mm, one.to_mm, one.layers) for one in found["proximal"]] == [(0, 4, 2), (4, 10, 1)]
    assert [(one.to_mm, one.layers) for one in found["distal"]] == [(8, 1)]
    assert [(one.to_mm, one.layers) for one in found["side"]] == [(6, 1)]


@pytest.mark.parametrize(("a", "c", "first"), [(130.0, 165.0, "side_stent"), (165.0, 130.0, "main_stent")])
def test_the_more_angulated_daughter_is_stented_first_in_classic_order(a, c, first):
    found = answers(angles=(a, 65.0, c))
    assert found["culotte_classic"].spans[0].role == first
    assert found["culotte_inverted"].spans[0].role == "main_stent"
    probability = found["culotte_classic"].attempt.kit.layout.first_limb_probability
    assert probability == pytest.approx(1.0 if first == "side_stent" else 0.0, abs=1e-6)


def test_daughters_that_bend_alike_leave_the_first_stent_open():
    found = answers(angles=(150.0, 60.0, 150.0))
    assert found["culotte_classic"].attempt.kit.layout.first_limb_probability == pytest.approx(0.5)


def test_both_stents_of_a_culotte_must_reach_the_proximal_vessel():
    for span in answers()["culotte_classic"].spans:
        assert span.must_reach == "proximal"
    assert {span.must_reach for span in answers()["mini_crush"].spans} == {"proximal", "side"}


@pytest.mark.parametrize(("first", "possible"), [
    ("main", {"provisional", "t", "t_and_protrusion", "culotte_inverted"}),
    ("side", {"t", "mini_crush", "double_kissing_crush", "culotte_classic"}),
])  # fmt: skip
def test_what_is_left_once_a_stent_is_in(first, possible):
    case = f'{FULL_CASE}phase = "after_first_stent"\nfirst_stent = "{first}"'
    found = answers(case=case)
    assert {name for name, result in found.items() if "phase" not in result.because} == possible


def test_without_the_place_of_the_first_stent_nothing_can_be_told():
    found = answers(case='phase = "after_first_stent"')
    assert all(result.verdict in ("cannot_tell", "does_not_fit") for result in found.values())
    assert any("first_stent" in text for text in found["provisional"].open)


def test_a_lost_side_branch_rules_out_what_begins_there():
    found = answers(case=FULL_CASE.replace("easy", "lost"))
    for technique in ("t", "mini_crush", "double_kissing_crush", "culotte_classic"):
        assert "side_access_first" in found[technique].because
        assert found[technique].verdict == "does_not_fit"


def test_unsaid_access_does_not_stand_in_the_way():
    said, unsaid = answers(), answers(case=FULL_CASE.replace('side_access = "easy"', ""))
    assert unsaid["mini_crush"].verdict == said["mini_crush"].verdict == "fits"
    assert "case: side_access" in unsaid["mini_crush"].open


def test_without_devices_nothing_is_claimed_about_limits():
    sheet = plan(reading())
    for result in sheet.answers:
        assert result.verdict in ("cannot_tell", "does_not_fit")
        assert any("device table" in text for text in result.open)


def test_an_unknown_limit_is_said_and_not_assumed():
    found = answers(devices=PLENTY.replace("4.5,4.0", ","))
    one = rule(found["provisional"], "main_reaches_proximal")
    assert one.verdict == "cannot_tell"
    assert one.missing == "expansion_limit_mm of main"


@pytest.mark.parametrize(("verdicts", "expected"), [
    ((("fits", "limit"), ("fits", "guidance")), "fits"),
    ((("fits", "limit"), ("does_not_fit", "guidance")), "borderline"),
    ((("borderline", "limit"), ("fits", "guidance")), "borderline"),
    ((("cannot_tell", "limit"), ("borderline", "guidance")), "cannot_tell"),
    ((("cannot_tell", "limit"), ("does_not_fit", "limit")), "does_not_fit"),
    ((("cannot_tell", "limit_if_said"), ("fits", "limit")), "fits"),
    ((("does_not_fit", "limit_if_said"), ("fits", "limit")), "does_not_fit"),
    ((("cannot_tell", "guidance"), ("fits", "limit")), "fits"),
])  # fmt: skip
def test_how_verdicts_are_joined(verdicts, expected):
    from qca.sizing.rule_table import RULES

    judged = tuple(
        (Judgement(list(RULES.values())[k], 1.0, 0.1, 1.0, 0.0, 0.5, verdict, None, "", "", ""), weight)
        for k, (verdict, weight) in enumerate(verdicts)
    )
    assert overall(judged)[0] == expected


def test_an_oversized_side_stent_does_not_pass_because_it_could_reach():
    table = parse_devices(PLENTY + "stent,wide,2.75,20,4.5,4.0,\n")
    sheet = plan(reading(), table=table, case=parse_case(FULL_CASE), fixed={"side_stent": "wide"})
    found = {result.technique.id: result for result in sheet.answers}["culotte_inverted"]
    assert rule(found, "side_reaches_proximal").verdict == "fits"
    assert found.because == ("side_stent_ratio_high",)
    assert found.verdict == "does_not_fit"


def test_held_back_rules_share_a_sentence_and_a_failing_one_is_always_written_out():
    from qca.reading import Flag
    from qca.sizing.wording import reason_texts

    flags = (Flag("scale_disagrees", "scale", "two scales"),)
    found = answers(reading(flags=flags), devices=PLENTY.replace("20,4.0", "20,3.0"))["culotte_inverted"]
    texts = reason_texts(found.decisive)
    assert found.verdict == "borderline"
    assert sum("held back" in text for text in texts) == 1
    assert any("3.00 mm (the side stent's expansion limit)" in text and "< 1 %" in text for text in texts)


def test_each_reason_says_whether_it_can_rule_a_technique_out():
    """The same angle fails a limit of one technique and guidance of another: opposite verdicts, and both say why."""
    from qca.sizing.wording import reason_texts

    found = answers(angles=(151.0, 58.0, 151.0))
    assert found["t"].verdict == "does_not_fit"
    assert any("Angle B at least 70° (limit): 58" in text for text in reason_texts(found["t"].decisive))
    assert found["t_and_protrusion"].verdict == "borderline"
    texts = reason_texts(found["t_and_protrusion"].decisive)
    assert any("Angle B above 70° (guidance): 58" in text for text in texts)


def test_rules_that_share_a_sentence_are_counted_by_what_they_weigh():
    from qca.reading import Flag
    from qca.sizing.wording import reason_texts

    flags = (Flag("scale_disagrees", "scale", "two scales"),)
    held = answers(reading(flags=flags))["culotte_inverted"]
    weights = [weight for one, weight in held.decisive if one.held_back]
    limits = sum(weight.startswith("limit") for weight in weights)
    assert 0 < limits < len(weights)
    assert limits > 1
    counted = f"{len(weights)} rules ({limits} limits, {len(weights) - limits} guidance) held back: "
    assert any(text.startswith(counted) for text in reason_texts(held.decisive))
    found = answers(devices=PLENTY, angles=(math.nan,) * 3)["t_and_protrusion"]
    assert reason_texts(found.decisive) == ["2 rules (guidance) cannot tell"]


def test_classic_culotte_that_began_in_the_more_angulated_main_vessel_goes_on():
    after = FULL_CASE + 'phase = "after_first_stent"\nfirst_stent = "%s"'
    bent = {"angles": (165.0, 65.0, 130.0)}  # the distal main vessel bends more
    assert answers(case=after % "main", **bent)["culotte_classic"].spans[0].role == "main_stent"
    assert "phase" not in answers(case=after % "main", **bent)["culotte_classic"].because
    # A stent that lies in the side branch already was the first, whatever the angles say.
    begun = answers(case=after % "side", **bent)["culotte_classic"]
    assert begun.spans[0].role == "side_stent"
    assert "phase" not in begun.because


def test_t_after_a_provisional_start_is_no_upfront_second_stent():
    upfront = {one.rule.id for one, _ in answers()["t"].rules}
    later = {one.rule.id for one, _ in answers(
        case=f'{FULL_CASE}phase = "after_first_stent"\nfirst_stent = "main"')["t"].rules}  # fmt: skip
    assert upfront - later == {"reason_for_two", "side_access_first"}
    assert later - upfront == {"side_access_through"}


def test_without_an_angle_no_technique_that_lives_by_it_fits_and_the_layers_stay():
    found = answers(angles=(math.nan,) * 3)
    for technique in ("t", "t_and_protrusion", "mini_crush", "double_kissing_crush"):
        assert found[technique].verdict == "cannot_tell"
        assert "angle B" in found[technique].open
    layers = {name: result.layers for name, result in found.items()}
    assert (layers["mini_crush"], layers["culotte_classic"], layers["culotte_inverted"]) == (3, 2, 2)


def test_angles_that_differ_by_less_than_one_view_can_tell_leave_the_order_open():
    sheet = plan(reading(angles=(153.0, 57.0, 150.0), angle_sd=0.5), case=parse_case(FULL_CASE))
    one = next(one for one in sheet.lesion.judgements if one.rule.id == "side_more_angulated")
    assert one.verdict == "borderline"
    assert 0.05 < one.probability < 0.5


def test_both_cells_of_a_culotte_are_crossed():
    found = answers(devices=PLENTY.replace("20,4.0,3.5", "20,4.0,2.4"))
    # Inverted: the side stent is second, and the distal vessel of 2.75 mm is entered again through its cell.
    one = rule(found["culotte_inverted"], "second_cell_opening")
    assert (one.value, one.threshold, one.verdict) == (2.75, 2.4, "does_not_fit")
    assert found["culotte_inverted"].verdict == "does_not_fit"


def test_two_stents_do_not_fit_while_nobody_said_whether_there_is_a_reason():
    # Consensus default: provisional (European Bifurcation Club, 15th consensus, DOI 10.4244/EIJ-D-20-00169).
    short = {"limbs": {"side": {"start": 0.3, "end": 3.3}}}
    found = answers(case='side_access = "easy"', **short)
    for technique in ("mini_crush", "double_kissing_crush", "culotte_classic"):
        assert found[technique].verdict == "cannot_tell"
        assert found[technique].because == ("reason_for_two",)
    assert found["provisional"].verdict == "fits"
    # An ostial lesion longer than 5 mm is a reason that the image gives by itself.
    seen = answers(case='side_access = "easy"', limbs={"side": {"start": 0.0, "end": 8.0}})
    assert seen["mini_crush"].verdict == "fits"
