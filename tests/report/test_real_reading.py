"""A reading from the measurement itself, so that the report and the reading cannot drift apart."""

import html
import math
import re
from dataclasses import replace

import pytest

from qca.document import parse_reading, reading_text
from qca.phantom import random_bifurcation, render
from qca.pipeline import measure
from qca.report.angle_figure import chord_direction
from qca.report.html import report_html
from qca.report.limb_angles import limb_angles
from qca.report.overlay import overlay_png
from qca.report.profile import PROFILE_COLUMNS, profile_csv
from qca.report.scale_words import scale_rows, scale_text
from qca.report.table import text_table
from qca.sizing.worksheet import plan


@pytest.fixture(scope="module")
def measured():
    phantom = render(random_bifurcation(1))
    frame = phantom.frame("made_up_1.png")
    return frame, measure(frame, phantom.picks)


def test_every_output_holds_the_measured_numbers(measured):
    frame, reading = measured
    page, table = report_html(reading, frame), text_table(reading)
    for limb in reading.limbs.values():
        assert f'value="{limb.mld_mm}"' in page
        assert f"{limb.mld_mm:.2f} ± {limb.mld_sd_mm:.2f}" in table
        assert repr(float(limb.profile.diameter_mm[0])) in profile_csv(reading)
    assert f'value="{reading.angles.B}"' in page
    assert reading.medina.code in page
    assert reading.medina.code in table
    assert overlay_png(reading, frame).startswith(b"\x89PNG")


def test_a_limb_without_narrowing_has_no_lesion_rather_than_one_of_length_zero(measured):
    frame, reading = measured
    healthy = [name for name, limb in reading.limbs.items() if limb.lesion_length_px == 0]
    assert healthy
    row = next(line for line in text_table(reading).splitlines() if line.startswith("Lesion length"))
    assert row.split().count("none") == len(healthy)
    assert len(re.findall(r'data-field="lesion_length_mm">none<', report_html(reading, frame))) == 2 * len(healthy)


def test_profile_has_one_row_for_each_position(measured):
    _, reading = measured
    lines = profile_csv(reading).splitlines()
    assert len(lines) == 1 + sum(len(limb.profile.position_px) for limb in reading.limbs.values())
    assert {line.count(",") for line in lines} == {len(PROFILE_COLUMNS) - 1}


def test_a_reading_from_its_json_gives_the_same_documents(measured):
    frame, reading = measured
    again = parse_reading(reading_text(reading))
    assert text_table(again) == text_table(reading)
    assert profile_csv(again) == profile_csv(reading)
    assert report_html(again, frame) == report_html(reading, frame)


def test_the_sketch_has_the_angles_that_it_writes(measured):
    _, reading = measured
    chord = reading.settings.angle_chord_mm / reading.scale.mm_per_px
    turns = {
        name: math.degrees(chord_direction(limb.profile, reading.branching_point_px, chord))
        for name, limb in reading.limbs.items()
    }
    for angle in limb_angles(reading):
        one, other = (turns[name] for name in angle.between)
        assert abs((one - other + 180) % 360 - 180) == pytest.approx(angle.value.value, abs=1.5)


def test_the_worksheet_stands_in_the_report(measured):
    frame, reading = measured
    page = report_html(reading, frame, plan(reading))
    assert '<section class="worksheet">' in page
    assert page.index('<section class="worksheet">') < page.index("What each number means")


def test_the_scale_is_told_in_words(measured):
    frame, reading = measured
    detail = reading.scale.detail
    rows = dict(scale_rows(reading))
    assert rows["Catheter"] == f"{reading.picks.french:g} F, taken as {detail['catheter_mm']:.2f} mm"
    assert rows["Width on the frame"] == f"{detail['width_px']:.2f} ± {detail['width_sd_px']:.2f} px"
    assert rows["The size is"] == "outer diameter of the shaft"
    assert not [key for key in rows if "_" in key]
    assert not [value for value in rows.values() if "outer_wall" in value]
    page = report_html(reading, frame)
    assert all(
        f'<th scope="row">{html.escape(key)}</th><td>{html.escape(value)}</td>' in page for key, value in rows.items()
    )


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("catheter", "from the catheter"),
        ("typed in", "typed in"),
        ("header: isocentre estimate", "from the header (isocentre estimate)"),
        ("grid", "from a grid of known pitch"),
    ],
)
def test_every_source_of_a_scale_ends_a_sentence(measured, source, words):
    _, reading = measured
    other = replace(reading, scale=replace(reading.scale, source=source, detail={}))
    assert scale_text(other).endswith(f"%), {words}")
    assert scale_rows(other) == []
