"""The worksheet on the screen: what its rules and sizes say, in the words of the panel. No window."""

import re
from html import unescape
from pathlib import Path

import pytest

from qca import codec
from ui.desk import worker
from ui.desk.inks import DARK
from ui.desk.work import Work
from ui.desk.worksheet_text import worksheet_html

DEVICES = Path(__file__).parent.parent.parent / "sample_images" / "demo_devices.csv"
TECHNIQUE = "double_kissing_crush"


def sheet_of(reading_text, devices):
    plan = {"devices": devices, "case": codec.encode(Work().plan.case), "fixed": [], "technique": TECHNIQUE}
    job = {"job": "plan", "ticket": 1, "reading": reading_text, **plan}
    return worker.answer(job, worker.Frames())["result"]["worksheet"]


@pytest.fixture(scope="module")
def sheet(still_reading):
    return sheet_of(still_reading[2], str(DEVICES))


def lines_of(sheet):
    """Lines of the page as people read them."""
    page = re.sub(r"<br>|</?(?:tr|p|h4|li)\b[^>]*>", "\n", worksheet_html(sheet, TECHNIQUE, DARK))
    text = unescape(re.sub(r"</td>", " ", page))
    return [re.sub(r"\s+", " ", line).strip() for line in re.sub(r"<[^>]*>", "", text).split("\n") if line.strip()]


def test_every_rule_that_is_known_shows_its_value(sheet):
    lines = lines_of(sheet)
    chosen = next(one for one in sheet["techniques"] if one["id"] == TECHNIQUE)
    known = [rule for rule in chosen["rules"] if not rule["missing"]]
    assert any(rule["unit"] == "" and rule["sd"] for rule in known)
    for rule in known:
        told = lines[lines.index(rule["statement"]) + 1]
        assert re.match(r"-?\d", told), rule["statement"]


def test_angles_are_rounded_as_everywhere_else(sheet):
    text = "\n".join(lines_of(sheet))
    chosen = next(one for one in sheet["techniques"] if one["id"] == TECHNIQUE)
    angle = next(rule for rule in chosen["rules"] if rule["unit"] == "deg")
    assert f"{angle['value']:.0f} ± {angle['sd']:.0f}°" in text
    assert f"{angle['value']:.2f}" not in text


def test_no_field_of_a_file_is_shown_by_its_name(sheet):
    chosen = next(one for one in sheet["techniques"] if one["id"] == TECHNIQUE)
    assert any("side_access" in rule["missing"] for rule in chosen["rules"])
    text = "\n".join(lines_of(sheet))
    assert "(not stated: wire access to side)" in text
    assert "_" not in text
    assert "not said" not in text


def test_what_no_person_states_is_not_known(sheet):
    """Facts of the case are stated by a person; an angle or a device is not."""
    chosen = next(one for one in sheet["techniques"] if one["id"] == TECHNIQUE)
    lacking = {
        **chosen,
        "verdict": "cannot_tell",
        "open": ["case: side_access, site", "angle B", "case: site"],
        "because": [],
    }
    (line,) = (one for one in lines_of({**sheet, "techniques": [lacking]}) if one.startswith("not stated"))
    assert line == "not stated: wire access to side, site; not known: angle B"


def test_each_device_has_a_line_with_ratio_and_probability(sheet):
    lines = lines_of(sheet)
    size = next(one for one in sheet["sizes"] if TECHNIQUE in one["techniques"] and one["devices"])
    for device in size["devices"][:3]:
        (line,) = {one for one in lines if one.startswith(f"{device['label']} {device['ratio']:.2f} ± ")}
        assert re.search(r", [<>]? ?\d+ %$", line)


def test_without_a_table_nothing_is_said_of_its_devices(still_reading):
    text = "\n".join(lines_of(sheet_of(still_reading[2], None)))
    assert "No device table is chosen" in text
    assert "comes into question" not in text
