"""The report's structure and numbers; not its looks."""

import dataclasses
import math
import re
import sys
import types

import numpy as np
import pytest

from qca import CAUTION
from qca.report.html import report_html
from qca.report.palette import INKS
from qca.report.quantities import QUANTITIES


def path_points(element):
    return np.array(
        [[float(v) for v in pair.split(",")] for pair in re.split("[ML]", element.attrs["d"].rstrip("Z"))[1:]]
    )


def test_caution_stands_first_and_last(page):
    notes = page.all("p", role="note")
    assert len(notes) == 2
    assert all(CAUTION in note.text for note in notes)
    bodies = [e for e in page.elements if e.inside[-1:] == ["body"]]
    assert bodies[0] is notes[0]
    assert bodies[-1] is notes[1]


@pytest.mark.parametrize("kind", ["bifurcation", "without_scale", "segment", "flagged"])
def test_every_number_is_the_readings(page_of, kind, request):
    case = request.getfixturevalue(kind)
    page = page_of(report_html(case.reading, case.frame))
    unit = "mm" if case.reading.scale else "px"
    for name, limb in case.reading.limbs.items():
        for quantity in QUANTITIES:
            field = f"{quantity.key}_percent" if quantity.kind == "percent" else f"{quantity.key}_{unit}"
            shown = page.numbers(name, field)
            assert shown, field
            assert {float(value) for value in shown} == {getattr(limb, field)}
    if case.reading.angles:
        for letter in "ABC":
            assert [float(v) for v in page.numbers("angles", letter)] == [getattr(case.reading.angles, letter)]
    if case.reading.medina:
        for k, name in enumerate(("proximal", "distal", "side")):
            assert [float(v) for v in page.numbers(name, "medina_probability")] == [case.reading.medina.probability[k]]


def test_numbers_are_written_as_value_and_sd(page):
    # side limb of the fixture: MLD 5.86 px at 0.2 mm per px, SD 0.31 px
    shown = [e.text for e in page.all("span", **{"class": "number"})]
    assert "1.17 ± 0.06 mm" in shown
    intervals = [e.text for e in page.all("span", **{"class": "interval"})]
    assert "1.05 to 1.29" in intervals


def test_text_of_a_number_is_its_value_rounded(page):
    for element in page.all("data"):
        if re.fullmatch(r"-?\d+\.\d+", element.text):
            decimals = len(element.text.partition(".")[2])
            assert float(element.text) == pytest.approx(float(element.attrs["value"]), abs=0.5000001 * 10**-decimals)


@pytest.mark.parametrize("side", ["left_px", "right_px"])
def test_walls_are_drawn_where_the_reading_has_them(page, bifurcation, side):
    (figure,) = page.figures("measured vessel")
    left, top, zoom = (float(figure.attrs[f"data-{k}"]) for k in ("left", "top", "zoom"))
    for name, limb in bifurcation.reading.limbs.items():
        walls = [path_points(e) for e in page.all("path", data_role="wall", data_of=name)]
        walls = [w / zoom + [left - 0.5, top - 0.5] for w in walls]
        expected = getattr(limb.profile, side)
        assert min(np.abs(w - expected).max() if w.shape == expected.shape else math.inf for w in walls) < 0.005


def test_the_picture_lies_under_its_walls(page, bifurcation):
    (figure,) = page.figures("measured vessel")
    image = next(e for e in page.all("image") if e.attrs["width"] == figure.attrs["width"])
    assert (image.attrs["x"], image.attrs["y"]) == ("0", "0")
    assert image.attrs["href"].startswith("data:image/png;base64,")


def test_diameters_are_drawn_from_the_same_arrays(page, bifurcation):
    for name, limb in bifurcation.reading.limbs.items():
        (line,) = page.all("path", data_role="diameter", data_of=name)
        drawn = path_points(line)
        for drawn_axis, true in ((drawn[:, 0], limb.profile.position_mm), (drawn[:, 1], limb.profile.diameter_mm)):
            slope, offset = np.polyfit(true, drawn_axis, 1)
            assert np.abs(slope * true + offset - drawn_axis).max() < 0.02


def test_all_limbs_share_their_axes(page):
    first = {}
    for name in ("proximal", "distal", "side"):
        (line,) = page.all("path", data_role="diameter", data_of=name)
        first[name] = path_points(line)[0, 0]
    assert len(set(first.values())) == 1


def test_each_limb_has_its_ink_in_every_figure(page):
    for name in ("proximal", "distal", "side"):
        strokes = {
            (e.attrs["stroke"], e.attrs.get("stroke-dasharray"))
            for e in page.all("path", data_of=name)
            if e.attrs.get("data-role") in {"wall", "diameter"}
        }
        assert len(strokes) == 1
        assert next(iter(strokes))[0] == INKS[name].colour
        assert {e.attrs["stroke"] for e in page.all("line", data_of=name)} == {INKS[name].colour}


def test_catheter_is_drawn_beside_the_scale(page):
    assert page.figures("traced catheter")
    assert page.all("path", data_of="catheter", data_role="wall")
    assert "0.2000 ± 0.0021 mm per px (1.0 %), from the catheter" in page.all("main")[0].text


def test_drawn_angles_are_the_frames(page, bifurcation):
    (sketch,) = page.figures("Angles")
    chords = {e.attrs["data-of"]: e for e in page.all("line") if e.attrs.get("stroke-width") == "4"}
    assert set(chords) == {"proximal", "distal", "side"}
    # the side limb of the fixture leaves downwards, the proximal one lies to the left
    assert float(chords["side"].attrs["y2"]) > float(chords["side"].attrs["y1"])
    assert float(chords["proximal"].attrs["x2"]) < float(chords["proximal"].attrs["x1"])
    assert "A 131.9 ± 1.6°" in sketch.text


def test_medina_shows_distance_and_probability(page, bifurcation):
    text = page.all("main")[0].text
    assert "1.4 points above" in text
    assert "61 %" in text
    assert "too close to tell" in text
    assert page.figures("Medina threshold")


def test_without_scale_no_millimetre_is_shown(page_of, without_scale):
    page = page_of(report_html(without_scale.reading, without_scale.frame))
    assert {e.text for e in page.all("span", **{"class": "unit"})} == {"px", "%"}
    assert "No millimetres." in page.all("header")[0].text
    assert not page.figures("traced catheter")


def test_segment_has_no_angles_and_no_medina(page_of, segment):
    text = report_html(segment.reading, segment.frame)
    page = page_of(text)
    assert "Medina" not in page.all("body")[0].text.replace("medina threshold percent", "").replace(
        "a Medina digit is", ""
    ).replace("Medina A et al.", "")
    assert not page.figures("Angles")
    assert "start of the segment" in text


def test_untrusted_numbers_are_marked_at_the_number(flagged_page):
    marked = flagged_page.all("span", **{"class": "number doubtful"})
    fields = {
        (e.attrs["data-of"], e.attrs["data-field"])
        for e in flagged_page.all("data")
        if any(e.text in m.text for m in marked) and e.attrs["data-of"] == "side"
    }
    assert {
        ("side", f) for f in ("mld_mm", "reference_mm", "ds_percent", "area_stenosis_percent", "lesion_length_mm")
    } <= fields
    doubts = flagged_page.all("span", **{"class": "doubt"})
    assert len(doubts) >= len(marked) > 0
    cells = [e for e in flagged_page.all("td") if "not reliable" in e.text]
    assert cells


def test_trusted_limbs_are_not_marked(flagged_page):
    for row in flagged_page.all("tr"):
        if row.text.startswith("Minimal lumen diameter"):
            assert row.text.count("not reliable") == 1


def test_flags_are_explained_with_what_to_do(flagged_page, untrusted_code, mild_code):
    from qca.flags import FLAGS

    (row,) = flagged_page.all("tr", id="F1")
    assert FLAGS[untrusted_code].short[1:] in row.text
    assert FLAGS[untrusted_code].advice in row.text
    assert FLAGS[untrusted_code].long in row.text
    assert "Something lies over the side branch." in row.text
    (row,) = flagged_page.all("tr", id="F2")
    assert FLAGS[mild_code].advice in row.text
    steps = [e.text for e in flagged_page.all("li")]
    assert FLAGS[untrusted_code].advice in steps[0]


def test_the_headline_names_what_spoils_numbers_letter_by_letter(page_of, bifurcation):
    """One flag's name holds a number: without its decimal point 0.3 mm became 03 mm."""
    from qca.flags import FLAGS
    from qca.reading import Flag

    spoiling = [code for code, flag in FLAGS.items() if flag.untrusted]
    assert any(re.search(r"\d\.\d", FLAGS[code].short) for code in spoiling)
    reading = dataclasses.replace(bifurcation.reading, flags=tuple(Flag(code, "side", "") for code in spoiling))
    page = page_of(report_html(reading, bifurcation.frame))
    headline = page.all("p", **{"class": "status"})[0].text
    for code in spoiling:
        assert f"{FLAGS[code].short[1:]} (side)" in headline
    assert ".," not in headline


def test_links_lead_to_something_on_the_page(flagged_page):
    targets = {e.attrs["id"] for e in flagged_page.elements if "id" in e.attrs}
    links = {e.attrs["href"] for e in flagged_page.all("a")}
    assert links
    assert links <= {f"#{target}" for target in targets}


def test_hand_edits_are_said_where_the_numbers_are(flagged_page):
    tags = flagged_page.all("span", **{"class": "edited"})
    assert len(tags) == 2
    (figure,) = flagged_page.figures("measured vessel")
    assert "edited by hand" in figure.text
    (profile,) = flagged_page.figures("Proximal limb")
    assert "edited by hand" in profile.text
    (other,) = flagged_page.figures("Distal limb")
    assert "edited by hand" not in other.text
    assert "wall redrawn, left wall, 2 points" in flagged_page.all("main")[0].text


def test_unknown_numbers_are_said_and_a_step_follows(page_of, unknown_side):
    page = page_of(report_html(unknown_side.reading, unknown_side.frame))
    assert page.numbers("side", "mld_mm") == ["", ""]
    assert "nan" not in page.all("body")[0].text.lower().split()
    assert any("Side: no diameter known." in e.text for e in page.all("li"))
    assert "no diameter known" in page.figures("Side limb")[0].text


def test_provenance_is_complete(page, bifurcation):
    text = page.all("section", **{"class": "provenance"})[0].text
    assert bifurcation.reading.frame.sha256 in text
    assert "RAO 28°, cranial 19°" in text
    assert "(44, 84)" in text
    assert "Reduced chi²" in text
    for field in dataclasses.fields(bifurcation.reading.settings):
        assert field.name in text  # as --set wants it
        assert field.metadata["reason"] in text


def test_the_fits_numbers_have_as_many_digits_as_they_deserve(page_of, bifurcation):
    fit = {"blur_sd_px": 1.0232345, "noise_sd": 73.10284, "pixels": 10391, "chi2_per_pixel": math.nan}
    reading = dataclasses.replace(bifurcation.reading, fit=fit)
    text = page_of(report_html(reading, bifurcation.frame)).all("section", **{"class": "provenance"})[0].text
    assert re.search(r"Blur, SD, px\s*1\.02\s", text)
    assert re.search(r"Noise, SD, grey levels\s*73\.1\s", text)
    assert re.search(r"Pixels\s*10391\s", text)
    assert re.search(r"residual over noise\s*not known\s", text)


def test_every_number_written_on_the_frame_has_its_uncertainty(page):
    (figure,) = page.figures("measured vessel")
    for what in (r"MLD \d+\.\d+", r"RVD \d+\.\d+", r"DS -?\d+\.\d+"):
        assert len(re.findall(what, figure.text)) == 3
        assert len(re.findall(rf"{what} ± \d+\.\d+ (?:mm|%)", figure.text)) == 3, what


def test_the_label_of_a_small_mld_lies_under_the_curve_and_not_on_it(page_of, bifurcation):
    from qca.report.diameter_axes import Axes
    from qca.report.diameter_figure import diameter_figure

    axes = Axes(0.0, 20.0, 7.0, "mm")
    for name in ("proximal", "distal", "side"):
        page = page_of(diameter_figure(bifurcation.reading, name, axes, ()))
        (label,) = (text for text in page.all("text") if text.text.startswith("MLD"))
        capital = 9.0
        point = float(axes.y(bifurcation.reading.limbs[name].mld_mm))
        assert float(label.attrs["y"]) - capital > point
        assert float(label.attrs["y"]) < float(axes.y(0.0))


def test_tables_and_figures_do_not_widen_the_page(page):
    """On a narrow screen they are pushed sideways in a box of their own; only pairs of words and values may wrap."""
    boxed = [e for e in page.elements if "wide" in (e.attrs.get("class") or "").split()]
    assert len([e for e in boxed if e.tag == "figure"]) == 4
    for table in page.all("table"):
        if table.attrs.get("class") != "pairs":
            assert any("wide" in (box.attrs.get("class") or "") and table.text in box.text for box in boxed), table.text


def test_another_frame_is_refused(bifurcation):
    for change in ({"sha256": "00" * 32}, {"index": 3}):
        with pytest.raises(ValueError, match="not the reading's"):
            report_html(bifurcation.reading, dataclasses.replace(bifurcation.frame, **change))


def test_worksheet_has_its_place(page_of, bifurcation, monkeypatch):
    section = types.ModuleType("qca.sizing.html")
    section.worksheet_section = lambda worksheet: f"<h2>Worksheet of {worksheet}</h2>"
    monkeypatch.setitem(sys.modules, "qca.sizing.html", section)
    page = page_of(report_html(bifurcation.reading, bifurcation.frame, worksheet="the test"))
    assert "Worksheet of the test" in page.all("section", **{"class": "worksheet"})[0].text
    without = page_of(report_html(bifurcation.reading, bifurcation.frame))
    assert not without.all("section", **{"class": "worksheet"})


def test_tall_pixels_are_drawn_in_their_true_shape(page_of, bifurcation):
    frame = dataclasses.replace(bifurcation.frame, pixel_aspect=1.25)
    page = page_of(report_html(bifurcation.reading, frame))
    (figure,) = page.figures("measured vessel")
    left, top, zoom, aspect = (float(figure.attrs[f"data-{k}"]) for k in ("left", "top", "zoom", "aspect"))
    assert aspect == 1.25
    wall = path_points(page.all("path", data_role="wall", data_of="side")[0])
    back = wall / [zoom, zoom * aspect] + [left - 0.5, top - 0.5]
    limb = bifurcation.reading.limbs["side"].profile
    assert np.abs(back - limb.left_px).max() < 0.005


def test_drawn_arcs_have_the_angle_that_is_written(page, bifurcation):
    """Chords of the fixture by hand: the arc of each letter spans the angle between its two limbs' drawn chords."""
    chords = {e.attrs["data-of"]: e for e in page.all("line") if e.attrs.get("stroke-width") == "4"}
    turn = {
        name: math.atan2(float(e.attrs["y2"]) - float(e.attrs["y1"]), float(e.attrs["x2"]) - float(e.attrs["x1"]))
        for name, e in chords.items()
    }
    for letter, (one, other) in {
        "A": ("proximal", "side"),
        "B": ("distal", "side"),
        "C": ("proximal", "distal"),
    }.items():
        (arc,) = [e for e in page.all("path") if e.attrs.get("data-angle") == letter]
        start, radius, *_, end = arc.attrs["d"].replace("A", "M").split("M")[1], *re.split("[M A]", arc.attrs["d"])[2:]
        ends = [np.array([float(v) for v in pair.split(",")]) for pair in (start, end)]
        chord = np.linalg.norm(ends[0] - ends[1])
        span = 2 * math.asin(min(chord / 2 / float(radius.split(",")[0]), 1.0))
        apart = abs((turn[one] - turn[other] + math.pi) % (2 * math.pi) - math.pi)
        assert span == pytest.approx(apart, abs=0.01)
