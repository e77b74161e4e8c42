"""Numbers that contradict each other are named; those that cannot be numbers of a reading are refused."""

from __future__ import annotations

import json
import math
import re

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner

from qca.contradictions import contradictions
from qca.document import parse_reading, reading_from_json, reading_schema, reading_to_json
from qca.errors import InputError
from ui.cli.main import cli

SIDE = ("limbs", "side")

CONTRADICTIONS = {
    "a reference in mm": ((*SIDE, "reference_mm"), 9.5, r"limbs\.side\.reference_mm is 9\.5, but by reference_px and"),
    "a smallest diameter in mm": ((*SIDE, "mld_mm"), 9.5, r"limbs\.side\.mld_mm is 9\.5, but by mld_px and scale"),
    "a stenosis": ((*SIDE, "ds_percent"), 95, r"limbs\.side\.ds_percent is 95, but by mld_px and reference_px it is"),
    "a stenosis by area": (
        (*SIDE, "area_stenosis_percent"),
        99.5,
        r"area_stenosis_percent is 99\.5, but by ds_percent",
    ),
    "its SD": ((*SIDE, "area_stenosis_sd_percent"), 77, r"area_stenosis_sd_percent is 77, but by ds_percent and ds_sd"),
    "an SD in mm": ((*SIDE, "mld_sd_mm"), 7, r"limbs\.side\.mld_sd_mm is 7, but by mld_px, mld_sd_px and scale"),
    "a huge SD": ((*SIDE, "reference_sd_mm"), 1e5, r"limbs\.side\.reference_sd_mm is 1e\+05, but"),
    "another scale": (("scale", "mm_per_px"), 0.4, r"but by mld_px and scale\.mm_per_px it is"),
    "another SD of the scale": (("scale", "sd_mm_per_px"), 0.1, r"mld_sd_mm is .*, but by mld_px, mld_sd_px and scale"),
    "no scale": (("scale",), None, r"limbs\.proximal\.\w+_mm is .*, but scale is null"),
    "a place off the lesion": ((*SIDE, "mld_position_px"), 400, r"mld_position_mm is .*, but by mld_position_px"),
    "a lesion's length": (
        (*SIDE, "lesion_length_px"),
        99,
        r"limbs\.side\.lesion_length_mm is .*, but by lesion_length",
    ),
    "a limb's length": ((*SIDE, "length_mm"), 99, r"limbs\.side\.length_mm is 99, but by length_px"),
    "a law": ((*SIDE, "law_reference_mm"), 99, r"limbs\.side\.law_reference_mm is 99, but by law_reference_px"),
    "a digit's distance": (
        ("medina", "distance_percent"),
        [0, 0, 0],
        r"medina\.distance_percent\[0\] is 0, but by limbs",
    ),
    "its probability": (("medina", "probability"), [0.5, 0.5, 0.5], r"medina\.probability\[\d\] is 0\.5, but by limbs"),
    "a threshold": (("medina", "threshold_percent"), 70, r"threshold_percent is 70, but by settings\.medina_thresh"),
    "an angle": (("angles_deg", "B"), 179.5, r"angles_deg\.. is .*, but by . and ., between the same three limbs, it"),
}


def changed(reading, path, value):
    document = json.loads(json.dumps(reading_to_json(reading)))
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return document


def named(document, message):
    """One of the contradictions of a document reads like this."""
    found = contradictions(reading_from_json(document, name="r.json"))
    assert any(re.search(message, clause) for clause in found), found


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("case", CONTRADICTIONS)
def test_a_number_that_others_contradict_is_named(make_reading, case, seed):
    path, value, message = CONTRADICTIONS[case]
    reading = make_reading(seed, unknown=0.0)
    assert contradictions(reading) == ()
    named(changed(reading, path, value), message)


def test_every_number_of_a_limb_in_mm_is_held_against_its_twin(make_reading):
    reading = make_reading(unknown=0.0)
    names = [name for name in reading_to_json(reading)["limbs"]["side"] if name.endswith("_mm")]
    assert len(names) == 11
    for name in names:
        stands = reading_to_json(reading)["limbs"]["side"][name]
        named(changed(reading, (*SIDE, name), stands + 0.01), rf"limbs\.side\.{name} is ")


def test_a_profile_is_held_against_its_twin_and_its_limb(make_reading):
    reading = make_reading(unknown=0.0)
    for name in ("position_mm", "diameter_mm", "diameter_sd_mm", "reference_mm"):
        values = reading_to_json(reading)["limbs"]["side"]["profile"][name]
        values[1] += 0.01
        named(changed(reading, (*SIDE, "profile", name), values), rf"limbs\.side\.profile\.{name}\[1\] is .*, but by ")
    line = np.array(reading_to_json(reading)["limbs"]["side"]["profile"]["reference_px"]) + 1
    document = changed(reading, (*SIDE, "profile", "reference_px"), line.tolist())
    document["limbs"]["side"]["profile"]["reference_mm"] = (line * 0.2).tolist()
    named(document, r"limbs\.side\.reference_px is .*, but by profile\.reference_px at mld_pos")


def test_a_digit_that_its_stenosis_contradicts_is_named(make_reading):
    reading = make_reading(unknown=0.0)
    other = ",".join("1" if digit == "0" else "0" for digit in reading.medina.code.split(","))
    changed_code = changed(reading, ("medina", "code"), other)
    named(changed_code, r"medina\.code's digit 1 is .*, but by limbs\.proximal\.ds_percent")


def test_places_that_a_limb_does_not_have_are_named(make_reading):
    reading = make_reading(unknown=0.0)
    limb = reading.limbs["side"]
    for start, end, message in (
        (limb.mld_position_px + 0.1, limb.lesion_end_px, "mld_position_px is .* by lesion_start_px, beyond which it"),
        (limb.lesion_start_px, limb.mld_position_px - 0.1, "mld_position_px is .* by lesion_end_px, before which it"),
        (-50.0, limb.lesion_end_px, "lesion_start_px is -50, but by profile.position_px, where the limb begins,"),
        (limb.lesion_start_px, 90.0, "lesion_end_px is 90, but by profile.position_px, where the limb ends,"),
    ):
        document = changed(reading, (*SIDE, "lesion_start_px"), start)
        numbers = {"lesion_end_px": end, "lesion_length_px": end - start, "lesion_length_sd_mm": None}
        numbers |= {"lesion_start_mm": start * 0.2, "lesion_end_mm": end * 0.2, "lesion_length_mm": (end - start) * 0.2}
        document["limbs"]["side"].update(numbers)
        if end < start:
            continue
        named(document, message)


@pytest.mark.parametrize("seed", range(20))
def test_what_is_unknown_contradicts_nothing(make_reading, seed):
    for unknown in (0.0, 0.3, 1.0):
        document = reading_to_json(make_reading(seed, unknown=unknown))
        document["medina"]["code"] = "?,?,?"
        assert reading_from_json(document).medina.code == "?,?,?"
        assert contradictions(reading_from_json(document)) == ()


def test_nine_digits_are_enough(make_reading):
    def rounded(value):
        if isinstance(value, float):
            return float(f"{value:.9g}")
        if isinstance(value, dict):
            return {key: rounded(item) for key, item in value.items()}
        return [rounded(item) for item in value] if isinstance(value, list) else value

    for seed in range(20):
        assert contradictions(reading_from_json(rounded(reading_to_json(make_reading(seed))))) == ()


IMPOSSIBLE = {
    "a negative minimum": ((*SIDE, "mld_mm"), -1, r"limbs\.side\.mld_mm must be above 0 and .*, not -1\.0"),
    "no minimum": ((*SIDE, "mld_px"), 0, r"limbs\.side\.mld_px must be at least 0\.05 and .*, not 0\.0"),
    "a reference of nothing": (
        (*SIDE, "reference_mm"),
        0.0,
        r"limbs\.side\.reference_mm must be above 0 and .*, not 0\.0",
    ),
    "a reference beyond all": (
        (*SIDE, "reference_px"),
        1e300,
        r"reference_px must be above 0 and no more than a m",
    ),
    "a position beyond all": ((*SIDE, "mld_position_mm"), -1e300, r"mld_position_mm must be from minus a million to a"),
    "a negative SD": ((*SIDE, "ds_sd_percent"), -2, r"limbs\.side\.ds_sd_percent must be at least 0 and .*, not -2\.0"),
    "a negative length": ((*SIDE, "lesion_length_mm"), -2, r"limbs\.side\.lesion_length_mm must be at least 0"),
    "more than all of a lumen": ((*SIDE, "ds_percent"), 150, r"limbs\.side\.ds_percent must be 100 or less, not 150"),
    "an angle of a turn": (("angles_deg", "B"), 200, r"angles_deg\.B must be from 0 to 180, not 200"),
    "a negative SD of an angle": (("angles_deg", "sd_C"), -1, r"angles_deg\.sd_C must be at least 0"),
    "a huge scale": (
        ("scale", "mm_per_px"),
        1e300,
        r"scale\.mm_per_px must be at least 1e-06 and no more than",
    ),
    "a negative SD of the scale": (("scale", "sd_mm_per_px"), -0.1, r"scale\.sd_mm_per_px must be at least 0"),
    "a probability above 1": (("medina", "probability"), [0, 1, 1.5], r"medina\.probability\[2\] must be from 0 to 1"),
    "a frame before the first": (("frame", "index"), -1, r"frame\.index must be at least 0"),
    "a picture of nothing": (("frame", "rows"), 0, r"frame\.rows must be at least 1"),
}


@pytest.mark.parametrize("case", IMPOSSIBLE)
def test_what_no_reading_holds_is_refused_and_the_schema_refuses_it_too(make_reading, case):
    path, value, message = IMPOSSIBLE[case]
    document = changed(make_reading(unknown=0.0), path, value)
    with pytest.raises(InputError, match=message):
        reading_from_json(document, name="r.json")
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, reading_schema(), jsonschema.Draft202012Validator)


def test_a_diameter_of_a_profile_is_not_negative(make_reading):
    reading = make_reading(unknown=0.0)
    values = reading_to_json(reading)["limbs"]["side"]["profile"]["diameter_px"]
    values[1] = -0.5
    document = changed(reading, (*SIDE, "profile", "diameter_px"), values)
    with pytest.raises(
        InputError, match=r"limbs\.side\.profile\.diameter_px\[1\] must be at least 0 and .*, not -0\.5"
    ):
        reading_from_json(document)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, reading_schema(), jsonschema.Draft202012Validator)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_wide_minimum_is_a_negative_stenosis(make_reading, factor):
    # an ectasia: the smallest diameter may lie above the reference
    document = reading_to_json(make_reading(unknown=0.0))
    limb = document["limbs"]["side"]
    for unit in ("px", "mm"):
        limb[f"mld_{unit}"] = limb[f"reference_{unit}"] / factor
        limb[f"mld_sd_{unit}"] = None
    ds = 100 * (1 - 1 / factor)
    limb |= {"ds_percent": ds, "area_stenosis_percent": 100 * (1 - factor**-2), "area_stenosis_sd_percent": None}
    document["medina"] = None
    assert math.isclose(reading_from_json(document).limbs["side"].ds_percent, ds)
    assert contradictions(reading_from_json(document)) == ()
    jsonschema.validate(document, reading_schema(), jsonschema.Draft202012Validator)


@pytest.mark.parametrize("command", ["plan", "compare"])
@pytest.mark.parametrize("value", [0.0, 1e300])
def test_the_commands_refuse_with_one_sentence(make_reading, tmp_path, command, value):
    good, bad = tmp_path / "good.json", tmp_path / "bad.json"
    reading = make_reading(unknown=0.0)
    good.write_text(json.dumps(reading_to_json(reading)), encoding="utf-8")
    bad.write_text(json.dumps(changed(reading, (*SIDE, "reference_mm"), value)), encoding="utf-8")
    assert parse_reading(good.read_text(encoding="utf-8")) is not None
    files = [bad] if command == "plan" else [good, bad]
    result = CliRunner().invoke(cli, [command, *map(str, files)])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "bad.json: limbs.side.reference_mm" in result.stderr


@pytest.mark.parametrize("command", ["plan", "compare"])
def test_the_commands_say_first_of_all_that_numbers_contradict(make_reading, tmp_path, command):
    """The rules judge what was given: nobody knows which of two numbers was changed."""
    good, changed_file = tmp_path / "good.json", tmp_path / "changed.json"
    reading = make_reading(unknown=0.0)
    good.write_text(json.dumps(reading_to_json(reading)), encoding="utf-8")
    document = changed(reading, (*SIDE, "reference_mm"), 3.5)
    changed_file.write_text(json.dumps(document), encoding="utf-8")
    files = [good] if command == "plan" else [good, good]
    assert "contradict each other" not in CliRunner().invoke(cli, [command, *map(str, files)]).stdout
    files[-1] = changed_file
    result = CliRunner().invoke(cli, [command, *map(str, files)])
    assert result.exit_code == 0
    told = " ".join(result.stdout.split())
    assert "limbs.side.reference_mm is 3.5, but by reference_px and scale.mm_per_px it is" in told
    alarm = re.search(r"[^.]*not be relied on|Not to be relied on", told)
    assert alarm is not None
    assert alarm.start() < told.index("contradict each other")
