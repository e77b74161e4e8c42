"""Every rule of the table at, below and above its threshold, through the whole worksheet or comparison.

The readings are exact (no uncertainty), so the answer is a plain comparison; angles keep the view's band and are
undecided at their threshold. That uncertainty enters is tested elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from qca.change.comparison import compare
from qca.sizing.case import parse_case
from qca.sizing.devices import parse_devices
from qca.sizing.overrides import NO_OVERRIDES, parse_overrides
from qca.sizing.rule_table import RULES
from qca.sizing.rules import Judgement
from qca.sizing.worksheet import Worksheet, plan
from tests.sizing.invented_reading import PLENTY, reading


def sheet(limbs=None, angle_b=65.0, case="", devices=PLENTY, overrides=NO_OVERRIDES, angles=None, **fixed) -> Worksheet:
    angles = angles or (205.0 - angle_b / 2 - 10.0, angle_b, 155.0 - angle_b / 2 + 10.0)
    return plan(
        reading(limbs=limbs, angles=angles, exact=True),
        case=parse_case(case),
        table=parse_devices(devices),
        overrides=overrides,
        fixed=fixed,
    )


def criterion(rule_id: str, **given) -> Judgement:
    return next(one for one in sheet(**given).lesion.judgements if one.rule.id == rule_id)


def in_technique(rule_id: str, technique: str, **given) -> Judgement:
    result = next(one for one in sheet(**given).answers if one.technique.id == technique)
    return next(one for one, _ in result.rules if one.rule.id == rule_id)


LM, NOT_LM = 'site = "left_main"\n', 'site = "not_left_main"\n'
AFTER = 'phase = "after_first_stent"\nfirst_stent = "main"\n'
FACTS = 'calcification = "none"\nthrombus = false\nlesions = 1\n'
QUIET = 'side_mass_percent = 0\nside_access = "easy"\ncalcification = "none"\nthrombus = false\nlesions = 1\n'


def side(**numbers):
    return {"side": numbers}


def grades(key: str, values: tuple[object, object, object]) -> Callable[[int], str]:
    return lambda step: (
        f"{key} = {values[step + 1]!r}\n".replace("'", '"').replace("True", "true").replace("False", "false")
    )


def kissing_devices(limit: float) -> str:
    return PLENTY.replace("main,2.75,30,4.5", f"main,2.75,30,{limit}").replace(
        "side,2.25,20,4.0", f"side,2.25,20,{limit}"
    )


# Ring around balloons of 2.75 and 2.25 mm, as a circle, by the formula of the handbook (see test_kissing).
R1, R2 = 1.375, 1.125
PHI = math.asin((R1 - R2) / (R1 + R2))
RING = (4 * math.sqrt(R1 * R2) + R1 * (math.pi + 2 * PHI) + R2 * (math.pi - 2 * PHI)) / math.pi

# rule id: (judgement for a step of -1, 0 or +1 in units of its quantity; the steps that exist)
ALL = (-1, 0, 1)
CASES: dict[str, tuple[Callable[[int], Judgement], tuple[int, ...]]] = {
    "side_relevance": (lambda s: criterion("side_relevance", limbs=side(reference=2.0 + 0.1 * s)), ALL),
    "true_side": (lambda s: criterion("true_side", limbs=side(ds=50.0 + s)), ALL),
    "true_main": (lambda s: criterion("true_main", limbs={"proximal": {"ds": 50.0 + s}, "distal": {"ds": 10.0}}), ALL),
    "complexity_left_main_stenosis": (
        lambda s: criterion("complexity_left_main_stenosis", limbs=side(ds=70.0 + s), case=LM), ALL),
    "complexity_other_stenosis": (
        lambda s: criterion("complexity_other_stenosis", limbs=side(ds=90.0 + s), case=NOT_LM), ALL),
    "complexity_side_length": (lambda s: criterion("complexity_side_length", limbs=side(start=0.0, end=10.0 + s)), ALL),
    "complexity_calcification": (
        lambda s: criterion("complexity_calcification",
                            case=grades("calcification", ("mild", "moderate", "severe"))(s)), ALL),
    "complexity_lesions": (lambda s: criterion("complexity_lesions", case=f"lesions = {2 + s}"), ALL),
    "complexity_narrow_angle": (lambda s: criterion("complexity_narrow_angle", angle_b=45.0 + s), ALL),
    "complexity_wide_angle": (lambda s: criterion("complexity_wide_angle", angle_b=70.0 + s), ALL),
    "complexity_small_main": (
        lambda s: criterion("complexity_small_main", limbs={"distal": {"reference": 2.5 + 0.1 * s}}), ALL),
    "complexity_thrombus": (
        lambda s: criterion("complexity_thrombus", case=grades("thrombus", (False, True, True))(s)), (-1, 0)),
    "complexity_main_length": (
        lambda s: criterion("complexity_main_length", limbs={
            "proximal": {"start": 0.0, "end": 15.0 + s}, "distal": {"start": 0.0, "end": 10.0}}), ALL),
    "complexity_minor_count": (
        lambda s: criterion("complexity_minor_count", angle_b=57.0, case=(
            FACTS.replace("none", "severe" if s > -2 else "none")
            .replace("false", "true" if s > -1 else "false").replace("= 1", "= 2" if s > 0 else "= 1"))), ALL),
    "upfront_ostial_start": (
        lambda s: criterion("upfront_ostial_start", limbs=side(start=5.0 + s, end=12.0)), ALL),
    "upfront_ostial_length": (
        lambda s: criterion("upfront_ostial_length", limbs=side(start=0.0, end=5.0 + s)), ALL),
    "upfront_side_mass": (lambda s: criterion("upfront_side_mass", case=f"side_mass_percent = {10 + s}"), ALL),
    "upfront_access": (
        lambda s: criterion("upfront_access", case=grades("side_access", ("lost", "difficult", "easy"))(s)), ALL),
    "left_main_side_reference": (
        lambda s: criterion("left_main_side_reference", limbs=side(reference=3.25 + 0.1 * s), case=LM), ALL),
    "left_main_side_length": (
        lambda s: criterion("left_main_side_length", limbs=side(start=0.0, end=10.0 + s), case=LM), ALL),
    "left_main_studied_reference": (
        lambda s: criterion("left_main_studied_reference", limbs={"proximal": {"reference": 5.75 + 0.1 * s},
                            "distal": {"reference": 4.4}, "side": {"reference": 4.0}}, case=LM), ALL),
    "left_main_studied_side": (
        lambda s: criterion("left_main_studied_side", limbs=side(reference=2.75 + 0.1 * s), case=LM), ALL),
    "side_more_angulated": (
        lambda s: criterion("side_more_angulated", angles=(145.0 + 1.0 * s, 70.0, 145.0)), ALL),
    "jailed_side_stenosis": (lambda s: criterion("jailed_side_stenosis", limbs=side(ds=70.0 + s), case=AFTER), ALL),
    "jailed_side_flow": (
        lambda s: criterion("jailed_side_flow", case=AFTER + f"side_flow_grade = {3 + s}"), (-1, 0)),
    "phase": (
        lambda s: in_technique("phase", "provisional" if s == 0 else "mini_crush", case=AFTER), (-1, 0)),
    "side_access_first": (
        lambda s: in_technique("side_access_first", "t", case=grades("side_access", ("lost", "difficult", "easy"))(s)),
        ALL),
    "side_access_through": (
        lambda s: in_technique("side_access_through", "provisional",
                               case=grades("side_access", ("difficult", "easy", "easy"))(s)), (-1, 0)),
    "not_complex": (
        lambda s: in_technique("not_complex", "provisional", angle_b=57.0, limbs=side(ds=70.0, start=0.0, end=10.0),
                               case=LM + FACTS.replace("none", "severe").replace("= 1", "= 2" if s else "= 1")),
        (0, 1)),
    "reason_for_two": (
        lambda s: in_technique("reason_for_two", "t", limbs=side(ds=20.0), case=NOT_LM + QUIET.replace(
            "easy", "difficult" if s > -1 else "easy").replace("= 0", "= 50" if s > 0 else "= 0").replace(
            "none", "severe" if s > 0 else "none")), ALL),
    "main_reaches_proximal": (
        lambda s: in_technique("main_reaches_proximal", "provisional",
                               devices=PLENTY.replace("30,4.5", "30,3.5"),
                               limbs={"proximal": {"reference": 3.5 + 0.1 * s}}),
        ALL),
    "side_reaches_proximal": (
        lambda s: in_technique("side_reaches_proximal", "culotte_inverted",
                               devices=PLENTY.replace("20,4.0", "20,3.5"),
                               limbs={"proximal": {"reference": 3.5 + 0.1 * s}}),
        ALL),
    "side_reaches_side": (
        lambda s: in_technique("side_reaches_side", "t", devices=PLENTY.replace("20,4.0", "20,2.25"),
                               limbs=side(reference=2.25 + 0.05 * s)), ALL),
    "main_stent_ratio_low": (
        lambda s: in_technique("main_stent_ratio_low", "provisional", main_stent="main",
                               limbs={"distal": {"reference": 2.75 / 0.95 - 0.05 * s}}), ALL),
    "main_stent_ratio_high": (
        lambda s: in_technique("main_stent_ratio_high", "provisional", main_stent="main",
                               limbs={"distal": {"reference": 2.75 / 1.1 - 0.05 * s}}), ALL),
    "side_stent_ratio_low": (
        lambda s: in_technique("side_stent_ratio_low", "t", side_stent="side",
                               limbs=side(reference=2.25 / 0.95 - 0.05 * s)), ALL),
    "side_stent_ratio_high": (
        lambda s: in_technique("side_stent_ratio_high", "t", side_stent="side",
                               limbs=side(reference=2.25 / 1.1 - 0.05 * s)), ALL),
    "kissing_ring_main": (
        lambda s: in_technique("kissing_ring_main", "provisional", devices=kissing_devices(RING - 0.1 * s)), ALL),
    "kissing_ring_side": (
        lambda s: in_technique("kissing_ring_side", "culotte_classic", devices=kissing_devices(RING - 0.1 * s)), ALL),
    "cell_opening": (
        lambda s: in_technique("cell_opening", "t_and_protrusion", devices=PLENTY.replace("4.5,4.0", "4.5,2.25"),
                               limbs=side(reference=2.25 + 0.05 * s)), ALL),
    "second_cell_opening": (
        lambda s: in_technique("second_cell_opening", "culotte_inverted",
                               devices=PLENTY.replace("20,4.0,3.5", "20,4.0,2.75"),
                               limbs={"distal": {"reference": 2.75 + 0.05 * s}}), ALL),
    "optimisation_within_main": (
        lambda s: in_technique("optimisation_within_main", "provisional",
                               devices=PLENTY.replace("30,4.5", f"30,{3.5 - 0.1 * s}")), ALL),
    "optimisation_within_side": (
        lambda s: in_technique("optimisation_within_side", "culotte_inverted",
                               devices=PLENTY.replace("20,4.0", f"20,{3.5 - 0.1 * s}")), ALL),
    # Distal lesion 6.5 mm + 3 mm margin: a stent of 17.5 mm leaves 8 mm proximal to the carina.
    "proximal_length": (
        lambda s: in_technique("proximal_length", "provisional",
                               devices=PLENTY.replace("2.75,30", f"2.75,{17.5 + s}")), ALL),
    "gap_distal": (
        lambda s: in_technique("gap_distal", "provisional", main_stent="main",
                               limbs={"distal": {"reference": 3.55 + 0.1 * s}, "proximal": {"reference": 4.2}}), ALL),
    "gap_proximal": (
        lambda s: in_technique("gap_proximal", "provisional", optimisation_balloon="opt",
                               limbs={"proximal": {"reference": 4.3 + 0.1 * s}}), ALL),
    "t_angle": (lambda s: in_technique("t_angle", "t", angle_b=70.0 + s), ALL),
    "t_bare_length": (
        lambda s: in_technique("t_bare_length", "t", angle_b=math.degrees(math.atan(2.0)),
                               limbs=side(reference=2.0 + 0.1 * s)), ALL),
    "protrusion_angle": (lambda s: in_technique("protrusion_angle", "t_and_protrusion", angle_b=70.0 + s), ALL),
    "new_carina_length": (
        lambda s: in_technique("new_carina_length", "t_and_protrusion", angle_b=45.0,
                               limbs=side(reference=2.0 + 0.1 * s)), ALL),
    "crush_angle": (lambda s: in_technique("crush_angle", "mini_crush", angle_b=75.0 + s), ALL),
    "crush_side_ratio": (
        lambda s: in_technique("crush_side_ratio", "mini_crush", limbs=side(reference=2.75 + 0.1 * s)), ALL),
    "culotte_angle": (lambda s: in_technique("culotte_angle", "culotte_classic", angle_b=75.0 + s), ALL),
    "culotte_mismatch": (
        lambda s: in_technique("culotte_mismatch", "culotte_classic", limbs=side(reference=1.75 - 0.1 * s)), ALL),
    "success_balloon": (lambda s: residual(50.0 + s, stented=False), ALL),
    "success_stent": (lambda s: residual(20.0 + s, stented=True), ALL),
    "restenosis": (lambda s: later_stenosis(50.0 + s), ALL),
}  # fmt: skip

RATIOS = ("balloon_ratio_low", "balloon_ratio_high")
ELSEWHERE = {*RATIOS, "change"}
"""Rules that judge a device of the table or a difference: tested below."""


def residual(ds: float, *, stented: bool) -> Judgement:
    from qca.change.region import Stretch

    after = reading(limbs={"side": {"ds": ds}}, exact=True, index=2)
    stents = {"side": Stretch(0.0, 10.0)} if stented else {}
    found = compare(reading(exact=True), after, stents=stents)
    return next(one for one in found.regions if (one.limb, one.region) == ("side", "limb")).residual


def later_stenosis(ds: float) -> Judgement:
    third = reading(limbs={"side": {"ds": ds}}, exact=True, index=3)
    found = compare(reading(exact=True), reading(limbs={"side": {"ds": 5.0}}, exact=True, index=2), third)
    return next(one for one in found.regions if (one.limb, one.region) == ("side", "limb")).restenosis


def test_every_rule_has_its_test():
    assert set(CASES) | ELSEWHERE == set(RULES)


@pytest.mark.parametrize(("rule_id", "step"), [(key, step) for key, (_, steps) in CASES.items() for step in steps])
def test_at_below_and_above_the_threshold(rule_id, step):
    one = CASES[rule_id][0](step)
    rule = RULES[rule_id]
    assert one.rule is not None
    assert one.missing == ""
    difference = one.value - one.threshold
    assert difference == pytest.approx(0, abs=1e-9) if step == 0 else difference * step > 0
    upward = rule.direction in ("at_least", "above")
    holds = rule.direction in ("at_least", "at_most") if step == 0 else (step > 0) == upward
    assert one.holds is holds
    assert one.margin == pytest.approx(difference if upward else -difference, abs=1e-9)
    if rule.angular:
        assert one.verdict == "borderline"  # one degree, or none, from the threshold: inside the view's band
        if step == 0:
            assert one.probability == pytest.approx(0.5)
    elif rule_id in ("t_bare_length", "new_carina_length"):
        assert one.verdict == "borderline"  # the view's band of angle B is always in the sampled probability
        assert 0.05 < one.probability < 0.95
    else:
        assert one.probability == (1.0 if holds else 0.0)
        assert one.verdict == ("fits" if holds else "does_not_fit")


@pytest.mark.parametrize("rule_id", [key for key, rule in RULES.items() if rule.angular])
@pytest.mark.parametrize("step", [-20.0, -5.5, 5.5, 20.0])
def test_angles_are_decided_outside_the_band(rule_id, step):
    rule = RULES[rule_id]
    holds = (step > 0) == (rule.direction in ("at_least", "above"))
    if rule_id == "side_more_angulated":
        one = criterion(rule_id, angles=(145.0 + step, 70.0, 145.0))
    elif rule_id.startswith("complexity"):
        one = criterion(rule_id, angle_b=rule.threshold + step)
    else:
        technique = next(
            result.technique.id for result in sheet().answers if any(r.rule.id == rule_id for r, _ in result.rules)
        )
        one = in_technique(rule_id, technique, angle_b=rule.threshold + step)
    assert one.verdict == ("fits" if holds else "does_not_fit")


@pytest.mark.parametrize("step", [-4.8, 4.8])
def test_inside_the_band_nothing_is_decided_however_sure(step):
    one = in_technique("t_angle", "t", angle_b=70.0 + step)
    assert not 0.05 < one.probability < 0.95
    assert one.verdict == "borderline"
    assert "one view cannot tell" in one.held_back


@pytest.mark.parametrize(("rule_id", "step", "holds"), [
    ("balloon_ratio_low", -1, False), ("balloon_ratio_low", 0, True), ("balloon_ratio_low", 1, True),
    ("balloon_ratio_high", -1, True), ("balloon_ratio_high", 0, True), ("balloon_ratio_high", 1, False),
])  # fmt: skip
def test_balloon_ratio(rule_id, step, holds):
    edge = RULES[rule_id].threshold + 0.01 * step
    made = sheet(limbs={"proximal": {"reference": 3.5 / edge}})
    row = next(row for row in made.sizes if row.need.role == "optimisation_balloon")
    found = [one for one in row.fits if one.device.label == "opt"]
    assert bool(found) is holds
    assert all(one.ratio == pytest.approx(edge) and one.verdict == "fits" for one in found)


@pytest.mark.parametrize(("sds", "exceeds"), [(1.95, False), (1.97, True), (-1.95, False), (-1.97, True)])
def test_change_below_and_above_measurement_error(sds, exceeds):
    # Both readings carry a random SD of 0.06 mm and the same typed scale: the difference has an SD of 0.06 sqrt 2.
    step = 0.06 * math.sqrt(2) * sds
    first = reading(scale_relative_sd=0.0)
    second = reading(limbs={"side": {"ds": 100 * (1 - (2.25 * 0.35 + step) / 2.25)}}, scale_relative_sd=0.0, index=2)
    found = compare(first, second)
    gain = next(one for one in found.regions if (one.limb, one.region) == ("side", "limb")).acute_gain
    assert gain.value == pytest.approx(step)
    assert gain.exceeds is exceeds


def test_change_exactly_at_the_threshold():
    rules = parse_overrides("[thresholds]\nchange = 2.0")
    first = reading(scale_relative_sd=0.0)
    step = 2.0 * math.hypot(0.06, 0.06)
    second = reading(limbs={"side": {"ds": 100 * (1 - (2.25 * 0.35 + step) / 2.25)}}, scale_relative_sd=0.0, index=2)
    gain = compare(first, second, overrides=rules).regions[-2].acute_gain
    assert gain.value / gain.sd == pytest.approx(2.0, abs=1e-12)
    near = parse_overrides("[thresholds]\nchange = 1.9999999")
    assert compare(first, second, overrides=near).regions[-2].acute_gain.exceeds is True


def test_every_row_names_its_source():
    for rule in RULES.values():
        assert len(rule.source) > 10
        assert "{threshold}" in rule.statement or rule.id in ("phase", "not_complex")
        assert rule.threshold_text in rule.text or rule.id in ("phase", "not_complex")


def test_thresholds_from_an_override_are_used_and_recorded():
    rules = parse_overrides("[thresholds]\nt_angle = 60\nside_relevance = 2.6", name="ours.toml")
    changed = in_technique("t_angle", "t", angle_b=68.0, overrides=rules)
    assert changed.threshold == 60.0
    assert changed.verdict == "fits"
    assert "ours.toml" in changed.rule.source
    assert "70" in changed.rule.source
    assert criterion("side_relevance", overrides=rules).verdict == "does_not_fit"


def test_demo_devices_say_that_they_are_invented():
    from pathlib import Path

    text = (Path(__file__).parents[2] / "sample_images" / "demo_devices.csv").read_text(encoding="utf-8")
    assert all("invented" in device.note for device in parse_devices(text).devices.values())
