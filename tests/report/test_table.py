import dataclasses

import pytest

from qca import CAUTION
from qca.report.table import text_table


def words(text):
    return " ".join(text.split())


@pytest.mark.parametrize("kind", ["bifurcation", "without_scale", "segment", "flagged", "unknown_side"])
def test_lines_fit_a_terminal_and_end_with_the_caution(kind, request):
    text = text_table(request.getfixturevalue(kind).reading)
    assert max(len(line) for line in text.splitlines()) <= 96
    assert words(text).endswith(CAUTION)
    assert text.endswith("\n")
    assert text.replace("\n", "").isprintable()


def test_numbers_are_the_readings(bifurcation):
    text = text_table(bifurcation.reading)
    rows = {line[:36].strip(): line[36:].split() for line in text.splitlines()}
    shown = rows["Minimal lumen diameter (MLD), mm"]
    expected = []
    for limb in bifurcation.reading.limbs.values():
        expected += [f"{limb.mld_mm:.2f}", "±", f"{limb.mld_sd_mm:.2f}"]
    assert shown == expected
    assert rows["Diameter stenosis (DS), %"][0] == f"{bifurcation.reading.limbs['proximal'].ds_percent:.1f}"


def test_marked_and_unmarked_digits_line_up(flagged, bifurcation):
    marked, plain = (
        [line for line in text_table(case.reading).splitlines() if line.startswith("Minimal")]
        for case in (flagged, bifurcation)
    )
    assert marked[0].rstrip(" !") == plain[0].rstrip()


def test_scale_angles_and_medina_are_there(bifurcation):
    text = words(text_table(bifurcation.reading))
    assert "Scale: 0.2000 ± 0.0021 mm per px (1.0 %), from the catheter" in text
    assert "A proximal - side 131.9 ± 1.6°" in text
    assert "Medina 0,1,1 (1 from 50 % diameter stenosis)" in text
    assert "side 1 1.4 points above probability of 1: 61 % too close to tell" in text


def test_unreliable_numbers_carry_a_mark_and_a_reason(flagged, untrusted_code):
    from qca.flags import FLAGS

    text = text_table(flagged.reading)
    row = next(line for line in text.splitlines() if line.startswith("Minimal"))
    assert row.count("!") == 1
    assert row.endswith("!")
    assert "F1 " in text
    assert words(FLAGS[untrusted_code].advice) in words(text)
    assert "edited by hand" in text


def test_without_scale_lengths_are_pixels_and_it_says_so(without_scale):
    text = text_table(without_scale.reading)
    assert "Minimal lumen diameter (MLD), px" in text
    assert "There is no scale" in text
    assert ", mm" not in text.replace("not in millimetres", "")


def test_segment_has_one_column(segment):
    text = text_table(segment.reading)
    assert "segment" in text.splitlines()[0]
    assert "Medina" not in text
    assert "Angles" not in text


def test_unknown_numbers_are_said(unknown_side):
    text = text_table(unknown_side.reading)
    row = next(line for line in text.splitlines() if line.startswith("Minimal"))
    assert row.rstrip().endswith("not known")
    assert "nan" not in text


def test_terminal_control_in_a_file_name_is_disarmed(bifurcation):
    record = dataclasses.replace(bifurcation.reading.frame, file="a\x1b]0;owned\x07\n.dcm")
    text = text_table(dataclasses.replace(bifurcation.reading, frame=record))
    assert "\x1b" not in text
    assert "a\\x1b]0;owned\\x07\\x0a.dcm" in text
