"""Device tables, case files and override files: what is read, and how each mistake is named in one sentence."""

from __future__ import annotations

import contextlib
import dataclasses
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qca.errors import InputError
from qca.sizing.assumptions import DEFAULT_ASSUMPTIONS
from qca.sizing.case import Case, parse_case
from qca.sizing.devices import COLUMNS, parse_devices
from qca.sizing.overrides import parse_overrides
from tests.sizing.invented_reading import PLENTY, device_table

ROOT = Path(__file__).parents[2]
GOOD = "stent,a,3.0,20,4.5,4.0,note"


def test_a_table_is_read():
    table = parse_devices(device_table(GOOD, 'balloon,b,3.5,8,,,"with, comma"'), name="mine.csv")
    assert table.name == "mine.csv"
    stent, balloon = table.devices["a"], table.devices["b"]
    assert (stent.kind, stent.nominal_mm, stent.length_mm) == ("stent", 3.0, 20.0)
    assert (stent.expansion_limit_mm, stent.cell_opening_mm, stent.row) == (4.5, 4.0, 2)
    assert math.isnan(balloon.expansion_limit_mm)
    assert balloon.note == "with, comma"
    assert [device.label for device in table.of_kind("balloon")] == ["b"]


def test_columns_in_any_order_further_ones_and_a_byte_order_mark():
    header = "note,label,maker_code,kind,cell_opening_mm,expansion_limit_mm,length_mm,nominal_mm"
    table = parse_devices("\ufeff" + device_table("x,a,77,stent,4.0,4.5,20,3.0", columns=header))
    assert table.devices["a"].nominal_mm == 3.0


def test_windows_line_ends_and_empty_lines():
    assert parse_devices(device_table(GOOD, "").replace("\n", "\r\n")).devices["a"].length_mm == 20.0


def test_compliance_points_are_interpolated_and_never_extrapolated():
    header = ",".join([*COLUMNS, "compliance"])
    balloon = parse_devices(device_table("balloon,b,3.0,12,,,,8:2.90 12:3.00 18:3.12", columns=header)).devices["b"]
    assert balloon.pressure_for(2.95) == pytest.approx(10.0)
    assert balloon.pressure_for(3.06) == pytest.approx(15.0)
    assert math.isnan(balloon.pressure_for(3.2))
    assert math.isnan(balloon.pressure_for(2.8))


@pytest.mark.parametrize(("text", "sentence"), [
    ("", "is empty; its first line must be kind,label,nominal_mm,"),
    ("\n\n", "is empty"),
    (device_table(), "has a header and no device"),
    ("kind,label,nominal_mm\nstent,a,3", "row 1: the header lacks length_mm, expansion_limit_mm"),
    (device_table(GOOD).replace("nominal_mm", "nominal_cm"), "'nominal_cm' is in another unit: sizes are in mm"),
    (device_table(GOOD).replace("nominal_mm", "nominal_fr"), "'nominal_fr' is in another unit"),
    (device_table(GOOD).replace(",", ";"), "separate the columns with commas"),
    (device_table(GOOD, columns=",".join([*COLUMNS, "note"])), "row 1: the column note stands twice"),
    (device_table(GOOD, "stent,b,-3.0,20,,,"), "row 3, column nominal_mm: -3.0 is outside 1 to 8 mm"),
    (device_table("stent,b,0.3,20,,,"), "row 2, column nominal_mm: 0.3 is outside 1 to 8 mm; check the number and"),
    (device_table("stent,b,3.0,2000,,,"), "row 2, column length_mm: 2000 is outside"),
    (device_table("stent,b,3.0,3.8,,,"), "row 2, column length_mm: 3.8 is outside 5 to 80 mm; check the number"),
    (device_table("stent,b,3.0,20,2.5,,"), "row 2, column expansion_limit_mm: 2.5 mm is less than the nominal 3 mm"),
    (device_table("stent,b,3.0,20,99,,"), "row 2, column expansion_limit_mm: 99 is outside"),
    (device_table('stent,b,"3,0",20,,,'), "row 2, column nominal_mm: '3,0' has a decimal comma; write 3.0"),
    (device_table("stent,b,3,0,20,,,,"), "row 2 has 9 cells where the header has 7 columns: write decimals with"),
    (device_table("stent,b,6F,20,,,"), "row 2, column nominal_mm: '6F' carries a unit"),
    (device_table("stent,b,0.3 cm,20,,,"), "row 2, column nominal_mm: '0.3 cm' carries a unit"),
    (device_table("stent,b,three,20,,,"), "row 2, column nominal_mm: 'three' is not a number in mm"),
    (device_table("stent,b,nan,20,,,"), "row 2, column nominal_mm: 'nan' is not a number"),
    (device_table("stent,b,1e999,20,,,"), "row 2, column nominal_mm: 1e999 is outside"),
    (device_table("stent,,3,20,,,"), "row 2, column label: is empty"),
    (device_table("coil,b,3,20,,,"), "row 2, column kind: 'coil' must be stent or balloon"),
    (device_table(GOOD, GOOD), "row 3, column label: 'a' stands in row 2 already"),
    (device_table("balloon,b,3,20,,3.0,"), "row 2, column cell_opening_mm: a balloon has no cells"),
    (device_table("stent,b\x1b,3,20,,,"), "row 2, column label: must be one line"),
    (device_table('stent,"b,3,20,,,'), "cannot be read as CSV"),
    ("kind\x00", "is not a text file"),
])  # fmt: skip
def test_mistakes_in_a_device_table(text, sentence):
    with pytest.raises(InputError) as caught:
        parse_devices(text, name="mine.csv")
    message = str(caught.value)
    assert message.startswith("mine.csv")
    assert sentence in message
    assert message.endswith(".")
    assert "\n" not in message


@given(st.text(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused(text):
    for parse in (parse_devices, parse_case, parse_overrides):
        with contextlib.suppress(InputError):
            parse(text)


def test_shipped_demo_files_are_read_and_say_that_they_are_invented():
    folder = ROOT / "sample_images"
    table = parse_devices((folder / "demo_devices.csv").read_text(encoding="utf-8"))
    assert all("invented" in device.note for device in table.devices.values())
    text = (folder / "demo_case.toml").read_text(encoding="utf-8")
    assert "Invented" in text.splitlines()[0]
    assert parse_case(text).technique is not None


def test_a_case_is_read():
    case = parse_case('site = "left_main"\nlesions = 2\nthrombus = true\nderive_reference = ["side", "side"]\n'
                      "scale_sd_percent = 1")  # fmt: skip
    assert (case.site, case.lesions, case.thrombus) == ("left_main", 2, True)
    assert case.derive_reference == ("side",)
    assert case.scale_sd_percent == 1
    assert parse_case("") == Case()


@pytest.mark.parametrize(("text", "sentence"), [
    ("site = ", "cannot be read as TOML"),
    ('sight = "left_main"', "'sight' is no fact this program knows; did you mean 'site'?"),
    ("zzz = 1", "known are note, site"),
    ('site = "LM"', "site = 'LM' is not one of left_main, not_left_main"),
    ("site = 3", "site = 3 is not one of"),
    ("lesions = -1", "lesions = -1 is not a whole number from 0 to 20"),
    ("lesions = 1.5", "lesions = 1.5 is not a whole number"),
    ("lesions = true", "lesions = True is not a whole number"),
    ('thrombus = "no"', "thrombus = 'no' is not true or false"),
    ("side_mass_percent = 120", "side_mass_percent = 120 is not a number from 0 to 100"),
    ("scale_sd_percent = nan", "scale_sd_percent = nan is not a number"),
    ('derive_reference = ["middle"]', "derive_reference = ['middle'] is not a list of proximal, distal, side"),
    ('derive_reference = "side"', "is not a list of"),
    ('technique = "crush"', "technique = 'crush' is not one of provisional, t,"),
    ("note = 4", "note = 4 is not a text"),
])  # fmt: skip
def test_mistakes_in_a_case_file(text, sentence):
    with pytest.raises(InputError, match=r"mine\.toml") as caught:
        parse_case(text, name="mine.toml")
    assert sentence in str(caught.value)


@pytest.mark.parametrize(("text", "sentence"), [
    ("[thresholds", "cannot be read as TOML"),
    ("[thresholds]\nt_angel = 60", "there is no rule 't_angel'; did you mean 't_angle'?"),
    ("[plan]\nmargin = 2", "there is no planning number 'margin'"),
    ("[limits]\nt_angle = 60", "'limits' is not known; the parts are [thresholds] and [plan]"),
    ("t_angle = 60", "'t_angle' is not known; the parts are"),
    ('[thresholds]\nt_angle = "60"', "thresholds.t_angle = '60' is not a number"),
    ("[thresholds]\nt_angle = true", "thresholds.t_angle = True is not a number"),
    ("[thresholds]\nt_angle = inf", "thresholds.t_angle = inf is not a number"),
    ("[plan]\nview_band_deg = 2", "plan.view_band_deg = 2 is outside 5 to 30"),
    ("[plan]\nsure_probability = 1.5", "plan.sure_probability = 1.5 is outside 0.5 to 0.999"),
    ("[thresholds]\nballoon_ratio_low = 1.2", "balloon_ratio_low = 1.2 must be above 0 and below balloon_ratio_high"),
])  # fmt: skip
def test_mistakes_in_an_override_file(text, sentence):
    with pytest.raises(InputError, match=r"mine\.toml") as caught:
        parse_overrides(text, name="mine.toml")
    assert sentence in str(caught.value)


def test_overrides_change_what_they_name_and_nothing_else():
    overrides = parse_overrides("[thresholds]\nt_angle = 60\n[plan]\nlanding_margin_mm = 2.5\n")
    changed = {key for key, rule in overrides.rules().items() if "the table says" in rule.source}
    assert changed == {"t_angle"}
    assert overrides.assumptions() == dataclasses.replace(DEFAULT_ASSUMPTIONS, landing_margin_mm=2.5)


def test_the_table_used_elsewhere_is_a_table():
    assert len(parse_devices(PLENTY).devices) == 5
