"""Devices whose nominal diameter or length the table does not give: unknown in what needs it, and nothing else."""

from __future__ import annotations

import json
import re

import jsonschema
import pytest

from qca.sizing.case import TECHNIQUE_IDS, parse_case
from qca.sizing.devices import parse_devices
from qca.sizing.document import worksheet_text
from qca.sizing.html import worksheet_page
from qca.sizing.schema import worksheet_schema
from qca.sizing.terminal import worksheet_lines
from qca.sizing.worksheet import plan
from tests.sizing.invented_reading import FULL_CASE, PLENTY, device_table, reading

NOMINAL, LENGTH = "nominal_mm", "length_mm"
ROWS = PLENTY.splitlines()
ROLES = {"main": "main_stent", "side": "side_stent", "opt": "optimisation_balloon", "cell": "side_cell_balloon",
         "kiss": "kissing_main_balloon"}  # fmt: skip


def without(label, column):
    """The table PLENTY with one number left out."""
    place = ROWS[0].split(",").index(column)
    rows = [row.split(",") for row in ROWS]
    for row in rows:
        if row[1] == label:
            row[place] = ""
    return "\n".join(map(",".join, rows)) + "\n"


def sheet(table, **arguments):
    return plan(reading(), table=parse_devices(table), case=parse_case(FULL_CASE), **arguments)


def verdicts(made, technique="provisional"):
    (result,) = (one for one in made.answers if one.technique.id == technique)
    return {one.rule.id: (one.verdict, one.missing) for one, _ in result.rules}


def worked_with(made, role):
    (row,) = (row for row in made.sizes if row.need.role == role and "provisional" in row.need.techniques)
    return row.worked_with


def test_a_stent_without_a_length_is_unknown_in_what_needs_its_length():
    known, unknown = verdicts(sheet(PLENTY)), verdicts(sheet(without("main", LENGTH)))
    assert unknown.pop("proximal_length") == ("cannot_tell", "length_mm of main")
    assert known.pop("proximal_length")[0] == "fits"
    assert unknown == known
    chosen = worked_with(sheet(without("main", LENGTH)), "main_stent")
    assert chosen.problems == ("length not in the table",)
    assert chosen.verdict == "cannot_tell"


def test_a_device_without_a_nominal_diameter_comes_into_question_for_no_size():
    made = sheet(without("main", NOMINAL))
    assert worked_with(made, "main_stent") is None
    assert verdicts(made)["main_stent_ratio_low"] == ("cannot_tell", "a fitting main stent in the device table")
    assert worked_with(made, "optimisation_balloon").device.label == "opt"


def test_one_that_was_fixed_is_unknown_in_what_needs_its_nominal_diameter():
    known = verdicts(sheet(PLENTY, fixed={"main_stent": "main"}))
    unknown = verdicts(sheet(without("main", NOMINAL), fixed={"main_stent": "main"}))
    for rule in ("main_stent_ratio_low", "main_stent_ratio_high", "gap_distal"):
        assert unknown.pop(rule) == ("cannot_tell", "nominal_mm of main")
        assert known.pop(rule)[0] != "cannot_tell"
    assert unknown == known
    made = sheet(without("opt", NOMINAL), fixed={"optimisation_balloon": "opt"})
    assert verdicts(made)["gap_proximal"] == ("cannot_tell", "nominal_mm of opt")
    assert verdicts(made)["optimisation_within_main"] == ("cannot_tell", "nominal_mm of opt")


def test_an_optimisation_balloon_without_a_length_stands_behind_one_that_has_it():
    # the first one's size is the better one, but how much stent it asks for cannot be told
    more = [*ROWS, "balloon,opt longer,3.75,10,,,"]
    both = "\n".join(more) + "\n"
    assert worked_with(sheet(both), "optimisation_balloon").device.label == "opt"
    made = sheet(both.replace("opt,3.50,8", "opt,3.50,"))
    assert worked_with(made, "optimisation_balloon").device.label == "opt longer"
    assert verdicts(made)["proximal_length"][0] != "cannot_tell"


@pytest.mark.parametrize("label", ["kiss", "cell"])
def test_other_balloons_need_no_length(label):
    assert verdicts(sheet(without(label, LENGTH))) == verdicts(sheet(PLENTY))


@pytest.mark.parametrize("column", [NOMINAL, LENGTH])
@pytest.mark.parametrize("label", ROLES)
def test_no_output_holds_anything_that_is_no_number(label, column):
    for technique in TECHNIQUE_IDS:
        fixed = {ROLES[label]: label} if label != "side" or technique != "provisional" else {}
        made = sheet(without(label, column), technique=technique, fixed=fixed)
        document = worksheet_text(made)
        jsonschema.validate(json.loads(document), worksheet_schema())
        for text in (document, worksheet_lines(made), worksheet_page(made)):
            assert not re.findall(r"\b(?:nan|inf)\b", text, re.IGNORECASE)


def test_devices_of_equal_size_are_ordered_by_length_and_one_without_comes_last():
    rows = ("balloon,a,2.75,,,,", "balloon,b,2.75,15,,,", "balloon,c,2.75,12,,,")
    made = sheet(device_table("stent,main,2.75,30,4.5,4.0,", *rows))
    (row,) = (row for row in made.sizes if row.need.role == "kissing_main_balloon")
    assert [one.device.label for one in row.fits] == ["c", "b", "a"]
