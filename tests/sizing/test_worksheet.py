"""The whole worksheet: document and schema, repeatability, and no surprises when a number moves by its SD."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from types import MappingProxyType

import jsonschema
import pytest

from qca import CAUTION
from qca.reading import Flag
from qca.sizing.case import TECHNIQUE_IDS, parse_case
from qca.sizing.devices import NO_DEVICES, parse_devices
from qca.sizing.document import worksheet_text
from qca.sizing.html import worksheet_page
from qca.sizing.overrides import NO_OVERRIDES, parse_overrides
from qca.sizing.schema import overrides_schema, worksheet_schema
from qca.sizing.terminal import worksheet_lines
from qca.sizing.worksheet import Origin, Origins, plan
from tests.sizing.invented_reading import FULL_CASE, PLENTY, reading


def sheet(made=None, devices=PLENTY, case=FULL_CASE, overrides=NO_OVERRIDES, **arguments):
    table = parse_devices(devices) if devices else NO_DEVICES
    return plan(made or reading(), table=table, case=parse_case(case), overrides=overrides, **arguments)


VARIANTS = {
    "full": sheet,
    "nothing but the reading": lambda: sheet(devices="", case=""),
    "fixed": lambda: sheet(fixed={"main_stent": "main"}, technique="culotte_classic"),
    "unknown numbers": lambda: sheet(reading(angles=(math.nan,) * 3, limbs={"side": {"reference": math.nan}})),
    "overridden": lambda: sheet(overrides=parse_overrides("[thresholds]\nt_angle = 60\n[plan]\ndraws = 500")),
    "contradictory": lambda: sheet(reading(limbs={"proximal": {"reference": 2.2}})),
    "nothing certain": lambda: sheet(
        reading(scale_relative_sd=math.nan, limbs={"proximal": {"reference": math.nan, "ds": math.nan}}),
        fixed={"main_stent": "main", "optimisation_balloon": "opt"},
        technique="t_and_protrusion",
    ),
    "after": lambda: sheet(case=FULL_CASE + 'phase = "after_first_stent"\nfirst_stent = "main"'),
}


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_document_meets_its_schema(variant):
    document = json.loads(worksheet_text(VARIANTS[variant]()))
    schema = worksheet_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)
    assert document["caution"] == CAUTION


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_terminal_text_has_the_caution_and_decides_nothing(variant):
    text = worksheet_lines(VARIANTS[variant]())
    assert " ".join(CAUTION.split()) in " ".join(text.split())
    assert "the operator's decision" in " ".join(text.split())
    for written in (text, worksheet_page(VARIANTS[variant]())):
        assert not re.search(r"\bnan\b|\bNone\b|\binf\b", written)


def test_names_of_the_contract():
    document = json.loads(worksheet_text(sheet()))
    assert document["schema"] == "qca.worksheet/1"
    assert {"caution", "reading", "case", "devices", "techniques", "sizes", "steps", "flags"} <= set(document)
    assert [one["id"] for one in document["techniques"]] == list(TECHNIQUE_IDS)
    assert set(document["steps"]) == set(TECHNIQUE_IDS)
    technique = document["techniques"][0]
    assert {"id", "verdict", "rules", "strut_layers", "geometry"} <= set(technique)
    rule = {"id", "statement", "value", "sd", "unit", "threshold", "margin", "probability", "verdict", "source"}
    assert all(rule <= set(one) for one in technique["rules"])
    size = {"role", "target_mm", "low_mm", "high_mm", "rule", "source", "devices"}
    device = {"label", "ratio", "expansion_used", "problems"}
    assert all(size <= set(one) and all(device <= set(d) for d in one["devices"]) for one in document["sizes"])
    step = {"number", "action", "devices", "wires", "check_before_next", "measure_after"}
    assert all(step <= set(one) for steps in document["steps"].values() for one in steps)


def test_schema_refuses_an_invented_key():
    document = json.loads(worksheet_text(sheet()))
    document["advice"] = "use culotte"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, worksheet_schema())


def test_override_schema_lists_every_threshold():
    jsonschema.Draft202012Validator.check_schema(overrides_schema())
    jsonschema.validate({"thresholds": {"t_angle": 60}, "plan": {"draws": 500}}, overrides_schema())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"thresholds": {"t_angel": 60}}, overrides_schema())


def test_files_behind_it_are_recorded():
    origins = Origins(
        Origin("reading.json", "a" * 64), Origin("devices.csv", "b" * 64), None, Origin("r.toml", "c" * 64)
    )
    document = json.loads(
        worksheet_text(sheet(origins=origins, overrides=parse_overrides("[thresholds]\nt_angle = 61", name="r.toml")))
    )
    assert document["reading"]["sha256"] == "a" * 64
    assert document["devices"]["sha256"] == "b" * 64
    assert document["rules"] | {"plan": None} == {
        "file": "r.toml", "sha256": "c" * 64, "thresholds": {"t_angle": 61.0}, "plan": None,
    }  # fmt: skip
    assert any(flag["code"] == "overrides" and "t_angle" in flag["message"] for flag in document["flags"])


def test_the_same_arguments_give_the_same_text():
    assert worksheet_text(sheet()) == worksheet_text(sheet())


def test_the_case_and_the_argument_choose_the_technique():
    assert sheet(case='technique = "t"').technique == "t"
    assert sheet(case='technique = "t"', technique="mini_crush").technique == "mini_crush"
    assert sheet().technique is None
    with pytest.raises(ValueError, match="technique: 'crush' must be one of"):
        sheet(technique="crush")


def moved(made, limb, **change):
    one = made.limbs[limb]
    fields = {}
    for name, sds in change.items():
        for unit in ("mm", "px"):
            sd = getattr(one, f"{name}_sd_{unit}", None)
            fields[f"{name}_{unit}"] = getattr(one, f"{name}_{unit}") + sds * sd
    limbs = MappingProxyType({**made.limbs, limb: dataclasses.replace(one, **fields)})
    return dataclasses.replace(made, limbs=limbs)


def verdicts(found):
    rules = {(r.technique.id, one.rule.id): one.verdict for r in found.answers for one, _ in r.rules}
    rules |= {("lesion", one.rule.id): one.verdict for one in found.lesion.judgements}
    return rules | {(r.technique.id, ""): r.verdict for r in found.answers}


def demo_devices():
    from pathlib import Path

    return (Path(__file__).parents[2] / "sample_images" / "demo_devices.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize("limb", ["proximal", "distal", "side"])
@pytest.mark.parametrize("quantity", ["reference", "lesion_length"])
@pytest.mark.parametrize("sds", [-1.0, 1.0])
@pytest.mark.parametrize("proximal", [3.3, 3.4, 3.5, 3.75])
def test_moving_a_number_by_its_sd_moves_probabilities_and_not_verdicts_by_surprise(limb, quantity, sds, proximal):
    made = reading(limbs={"proximal": {"reference": proximal}})
    before = verdicts(sheet(made, devices=demo_devices()))
    after = verdicts(sheet(moved(made, limb, **{quantity: sds}), devices=demo_devices()))
    for key, verdict in before.items():
        assert {verdict, after[key]} != {"fits", "does_not_fit"}, key


def test_a_threshold_near_the_value_says_so():
    found = sheet(reading(limbs={"side": {"reference": 2.02}}))
    one = next(one for one in found.lesion.judgements if one.rule.id == "side_relevance")
    assert one.verdict == "borderline"
    assert one.probability == pytest.approx(0.66, abs=0.03)


def test_probabilities_change_smoothly_through_a_threshold():
    chances = []
    for reference in (1.85, 1.95, 2.0, 2.05, 2.15):
        found = sheet(reading(limbs={"side": {"reference": reference}}))
        chances.append(next(one for one in found.lesion.judgements if one.rule.id == "side_relevance").probability)
    assert chances == sorted(chances)
    assert chances[2] == pytest.approx(0.5)


def test_samples_agree_with_closed_forms_where_both_exist():
    # T at an angle far from 90: |S cot B| <= 1 with S exact is an angle above atan(S), normal plus the view's band.
    from qca.sizing.probability import probability_below

    made = reading(limbs={"side": {"reference": 2.25, "reference_sd": 0.0}}, angles=(150.0, 68.0, 142.0),
                   scale_relative_sd=0.0)  # fmt: skip
    one = next(r for r, _ in sheet(made).answers[1].rules if r.rule.id == "t_bare_length")
    edge = math.degrees(math.atan(2.25))
    upper = probability_below(68.0, 2.0, 180.0 - edge, band=5.0)
    closed = upper - probability_below(68.0, 2.0, edge, band=5.0)
    assert one.probability == pytest.approx(closed, abs=4 * math.sqrt(closed * (1 - closed) / 20000))


def test_hostile_text_from_files_is_harmless_in_the_terminal():
    devices = PLENTY.replace("stent,main,", "stent,main<b>x,")
    made = reading()
    frame = dataclasses.replace(made.frame, file="a\x1b[31mb\u202e.png")
    text = worksheet_lines(sheet(dataclasses.replace(made, frame=frame), devices=devices))
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_geometry_of_a_technique_with_its_devices():
    document = json.loads(worksheet_text(sheet()))
    culotte = next(one for one in document["techniques"] if one["id"] == "culotte_inverted")["geometry"]
    crossings = {(one["role"], one["limb"]): one for one in culotte["crossings"]}
    assert set(crossings) == {("main_stent", "proximal"), ("main_stent", "distal"), ("side_stent", "proximal"),
                              ("side_stent", "side")}  # fmt: skip
    at_proximal = crossings["side_stent", "proximal"]
    assert at_proximal["expansion_ratio"] == pytest.approx(3.5 / 2.25)
    assert at_proximal["expansion_used"] == pytest.approx(3.5 / 4.0)
    assert at_proximal["gap_mm"] == pytest.approx((3.5 - 2.25) / 2)
    assert culotte["gap_before_optimisation_mm"] == pytest.approx((3.5 - 2.25) / 2)
    assert culotte["overlap_mm"] == pytest.approx(2.25 / math.sin(math.radians(65)) + 3.0)
    assert culotte["least_proximal_mm"] == 8.0
    assert culotte["kissing_stretch"] == pytest.approx(culotte["kissing_ring_mm"] / 3.5)
    assert document["geometry"]["proximal_minus_distal_mm"] == pytest.approx(0.75)


def test_the_strategy_of_the_laboratory_is_said():
    codes = {one.code for one in sheet(case=FULL_CASE + 'strategy = "two_stents"').remarks}
    assert "strategy" in codes
    assert "strategy" not in {one.code for one in sheet().remarks}


def test_flagged_numbers_are_marked_where_they_stand():
    from qca.reading import Flag

    made = sheet(reading(flags=(Flag("overlap", "side", "a wire"),)))
    text = worksheet_lines(made)
    assert text.index("Numbers that must not be relied on") < text.index("Measured")
    marked = [line for line in text.splitlines() if "flagged in the reading" in line]
    assert any(line.lstrip().startswith("Side ") for line in marked)
    assert any(line.lstrip().startswith("kissing balloon, side branch") for line in marked)
    assert not any(line.lstrip().startswith("main stent ") for line in marked)
    document = json.loads(worksheet_text(made))
    assert document["measured"]["limbs"]["side"]["held_back"] == "side flagged in the reading"
    assert document["measured"]["limbs"]["distal"]["held_back"] == ""
    held = {one["role"]: one["held_back"] for one in document["sizes"]}
    assert held["side_stent"]
    assert not held["main_stent"]


def measured_block(*flags):
    """Heading and rows of what was measured, by their first word; a row that is wrapped is one."""
    text = worksheet_lines(sheet(reading(flags=tuple(Flag(code, where, "") for code, where in flags))))
    heading, *lines = text.partition("\nMeasured")[2].partition("\n\n")[0].splitlines()
    rows = re.sub(r"\n {4,}", " ", "\n".join(lines[1:])).splitlines()
    return heading, {row.split()[0]: row for row in rows}


def test_numbers_that_a_flag_spoils_are_marked_in_the_text():
    heading, clean = measured_block()
    assert heading == ""
    assert "!" not in "".join(clean.values())
    heading, rows = measured_block(("overlap", "side"))
    assert heading == " (! not to be relied on)"
    assert "!" not in rows["Proximal"] + rows["Distal"] + rows["scale"]
    assert re.findall(r"\S+ (?:mm|%) !", rows["Side"]) == ["0.05 mm !", "0.06 mm !", "2 % !", "0.5 mm !"]
    assert "side flagged" in rows["Side"]
    assert rows["angles"].endswith("Medina 1,0,1 !")
    assert rows["angles"].count("!") == 1
    assert rows["proximal"].count("mm !") == rows["proximal"].count("mm") > 0


def test_an_unclear_scale_marks_lengths_and_no_stenosis():
    _, rows = measured_block(("catheter_unclear", "scale"))
    for name in ("Proximal", "Distal", "Side"):
        assert rows[name].count("mm !") == 3
        assert "% !" not in rows[name]
    assert "!" not in rows["angles"]
    assert " mm per px, SD 1.0 % !: " in rows["scale"]
    assert rows["proximal"].count("mm !") == rows["proximal"].count("mm") > 0


def test_flags_of_the_angles_mark_the_angles():
    _, rows = measured_block(("join_unseen", "angles"))
    assert rows["angles"].endswith("C 155 ± 2° !; Medina 1,0,1")
    assert "!" not in "".join(row for name, row in rows.items() if name != "angles")


def test_the_page_can_mark_the_lengths_that_an_unclear_scale_spoils():
    from qca.sizing.html import _view

    view = _view(sheet(reading(flags=(Flag("catheter_unclear", "scale", ""),))))
    assert view["scale_held_back"]
    assert [(bool(limb["held_back"]), bool(limb["lengths_held_back"])) for limb in view["limbs"]] == [(False, True)] * 3
