"""The printable worksheet, the report's section, and the drawings: whole, harmless, to scale."""

from __future__ import annotations

import dataclasses
import math
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import pytest

from qca import CAUTION
from qca.sizing.case import parse_case
from qca.sizing.devices import parse_devices
from qca.sizing.html import worksheet_page, worksheet_section
from qca.sizing.overview_drawing import overview
from qca.sizing.sketch import sketch
from qca.sizing.stent_drawing import drawing_zoom, technique_drawing
from qca.sizing.worksheet import plan
from tests.sizing.invented_reading import FULL_CASE, PLENTY, reading

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "<script>alert(1)</script>&\"'"


def sheet(devices=PLENTY, case=FULL_CASE, fixed=None, technique="culotte_inverted", made=None, **numbers):
    return plan(made or reading(**numbers), table=parse_devices(devices), case=parse_case(case), fixed=fixed,
                technique=technique)  # fmt: skip


class Tags(HTMLParser):
    """Open and closed tags, and whether they nest."""

    VOID = frozenset({"meta", "br", "link", "img", "input", "hr"})

    def __init__(self):
        super().__init__()
        self.open, self.seen, self.text = [], [], []

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def parsed(html):
    tags = Tags()
    tags.feed(html)
    assert tags.open == []
    return tags


@pytest.mark.parametrize("write", [worksheet_page, worksheet_section])
def test_it_is_whole_and_self_contained(write):
    html = write(sheet())
    tags = parsed(html)
    text = " ".join("".join(tags.text).split())
    assert CAUTION in text
    assert "the operator's decision" in text
    names = {tag for tag, _ in tags.seen}
    assert not names & {"script", "link", "img", "iframe", "object", "form"}
    for _, attributes in tags.seen:
        assert not any(key.startswith("on") for key in attributes)
        assert not any(value and value.startswith(("http:", "https:", "//")) for key, value in attributes.items()
                       if key != "xmlns")  # fmt: skip


def test_the_same_worksheet_gives_the_same_page():
    assert worksheet_page(sheet()) == worksheet_page(sheet())


@pytest.mark.parametrize("write", [worksheet_page, worksheet_section])
def test_text_from_files_is_escaped(write):
    made = reading()
    made = dataclasses.replace(made, frame=dataclasses.replace(made.frame, file=HOSTILE + "\x1b\u202e"))
    devices = PLENTY.replace("stent,main,", 'stent,"<img src=x onerror=alert(1)>",')
    case = FULL_CASE + f"note = '''{HOSTILE}'''"
    html = write(sheet(devices=devices, case=case, made=made, fixed={"main_stent": "<img src=x onerror=alert(1)>"}))
    tags = parsed(html)
    assert not {tag for tag, _ in tags.seen} & {"script", "img"}
    assert "\x1b" not in html
    assert "\u202e" not in html
    assert "&lt;img src=x" in html


def test_conflicts_stand_before_everything_else():
    html = worksheet_page(
        sheet(devices=PLENTY.replace("main,2.75,30,4.5", "main,2.75,30,3.2"), fixed={"main_stent": "main"})
    )
    assert "What speaks against them" in html
    assert html.index("What speaks against them") < html.index("Techniques by the numbers")
    assert html.index("What speaks against them") < html.index("<svg")


def test_all_techniques_with_their_verdicts():
    made = sheet()
    html = worksheet_page(made)
    for result in made.answers:
        assert result.technique.name in html
    assert html.count('class="drawn"') == 7
    found = re.findall(r'data-verdict="(\w+)"', html)
    assert found[:7] == [result.verdict for result in made.answers]


def test_the_reference_diameter_has_one_name_beside_numbers():
    """Drawing, tables, rules and steps, with devices and without: RVD, as beside MLD and DS in the report."""
    stent = "kind,label,nominal_mm,length_mm,expansion_limit_mm,cell_opening_mm,note\nstent,one,2.5,15,,,\n"
    for made in (sheet(), sheet(stent), sheet(limbs={"side": {"reference": math.nan}})):
        text = " ".join("".join(parsed(worksheet_section(made)).text).split())
        assert "RVD 3.50" in text
        assert not re.findall(
            r"(?:proximal|distal|side|branch|vessel)(?:'s)? reference(?! diameter)", text, re.IGNORECASE
        )


@pytest.mark.parametrize("write", [worksheet_page, worksheet_section])
def test_the_legend_says_what_each_verdict_means(write):
    text = " ".join("".join(parsed(write(sheet())).text).split())
    for meaning in ("fits: each rule whose numbers are known holds (probability at least 95 %)",
                    "borderline: a rule is undecided, or guidance fails, which alone rules nothing out",
                    "does not fit: a limit fails (probability at most 5 %)",
                    "cannot tell: a limit, or guidance that the technique rests on, lacks a number"):  # fmt: skip
        assert meaning in text


def test_the_section_shows_every_rule_with_its_source():
    made = sheet()
    text = " ".join("".join(parsed(worksheet_section(made)).text).split())
    for result in made.answers:
        for one, _ in result.rules:
            assert " ".join(one.rule.text.split()) in text
            assert " ".join(one.rule.source.split()) in text


def test_the_sections_style_touches_nothing_else():
    style = re.search(r"<style>(.*?)</style>", worksheet_section(sheet()), re.DOTALL).group(1)
    style = re.sub(r"@media[^{]*\{(.*?\})\s*\}", r"\1", style, flags=re.DOTALL)
    for selectors in re.findall(r"([^{}]+)\{", style):
        for selector in selectors.split(","):
            assert selector.strip().startswith(".ws"), selector


def test_a_derived_reference_is_marked():
    html = worksheet_page(sheet(case=FULL_CASE + 'derive_reference = ["side"]'))
    assert "derived" in html
    assert "not measured: Huo-Kassab law" in html


def test_no_chosen_technique_no_steps():
    assert "No technique was named" in worksheet_page(sheet(technique=None))


def drawing(svg):
    root = ET.fromstring(svg)  # noqa: S314 - our own text
    assert root.tag in (f"{SVG}svg", "svg")
    return root


def points(element):
    return [tuple(map(float, pair.split(","))) for pair in element.get("points").split()]


def test_drawings_are_well_formed_for_every_technique_and_odd_numbers():
    for numbers in ({}, {"angles": (math.nan,) * 3}, {"angles": (100.0, 160.0, 100.0)}, {"angles": (178.0, 4.0, 178.0)},
                    {"limbs": {"side": {"reference": math.nan}}}):  # fmt: skip
        made = sheet(**numbers)
        drawing(overview(made))
        for result in made.answers:
            text = technique_drawing(made, result)
            assert "nan" not in text
            drawing(text)


@pytest.mark.parametrize("longest", [12.0, 38.0])
def test_the_overview_is_to_scale(longest):
    made = sheet(limbs={"proximal": {"start": 2.0, "end": longest}})
    root = drawing(overview(made))
    bars = [points(line) for line in root.iter() if line.tag.endswith("polyline")]
    scale_bar = [bar for bar in bars if len(bar) == 4 and bar[0][0] == bar[1][0]]
    zoom = math.dist(scale_bar[-1][1], scale_bar[-1][2]) / 5.0
    assert (zoom < 12.5) == (longest > 30.0)
    lengths = [math.dist(bar[0], bar[1]) / zoom for bar in bars if len(bar) == 2]
    for limb in made.facts.measured.limbs.values():
        # The bar at the MLD is as long as the MLD; coordinates are written in hundredths.
        assert any(length == pytest.approx(limb.mld.value, abs=0.02 / zoom) for length in lengths)


def test_the_sketch_has_the_measured_angles_and_diameters():
    made = sheet(angles=(140.0, 65.0, 155.0))
    plane = sketch(made.facts.measured)

    def angle(first, second):
        u, v = plane.limbs[first].direction, plane.limbs[second].direction
        return math.degrees(math.acos(u[0] * v[0] + u[1] * v[1]))

    assert angle("proximal", "side") == pytest.approx(140.0)
    assert angle("distal", "side") == pytest.approx(65.0)
    assert angle("proximal", "distal") == pytest.approx(155.0)
    for limb, diameter in (("proximal", 3.5), ("distal", 2.75), ("side", 2.25)):
        tube = plane.limbs[limb]
        assert math.dist(tube.at(3.0, tube.radius), tube.at(3.0, -tube.radius)) == pytest.approx(diameter)
    # The carina lies on both daughters' inner walls.
    side, distal = plane.limbs["side"], plane.limbs["distal"]
    assert plane.carina == pytest.approx(side.at(0.0, -side.radius), abs=1e-9)
    assert plane.carina == pytest.approx(distal.at(0.0, distal.radius), abs=1e-9)


def test_stents_are_drawn_as_long_as_they_lie():
    made = sheet(limbs={"distal": {"start": 0.2, "end": 1.5}})
    provisional = made.answers[0]
    lines = [points(line) for line in drawing(technique_drawing(made, provisional)).iter()
             if line.tag.endswith("polyline")]  # fmt: skip
    zoom = drawing_zoom(sketch(made.facts.measured))
    daughter = provisional.spans[0].daughter.value
    assert daughter == pytest.approx(5.0)
    assert any(math.dist(line[0], line[-1]) / zoom == pytest.approx(daughter, abs=0.01) for line in lines)


def test_all_technique_drawings_have_one_scale():
    made = sheet()
    heights = [float(drawing(technique_drawing(made, result)).get("height")) for result in made.answers]
    assert max(heights) - min(heights) < 3.0


def test_labels_move_until_they_lie_on_no_other():
    from qca.sizing.canvas import Canvas

    canvas = Canvas(10.0)
    canvas.text(0.0, 0.0, "C 175 degrees", size=10.0)
    box = (2.0, -0.5, 5.0, 0.1)
    shift = canvas.shift_clear(box, -0.3)
    assert shift < 0
    assert box[3] + shift <= -1.0  # its lower edge above the text's upper one
    assert canvas.shift_clear((20.0, -0.5, 25.0, 0.1), -0.3) == 0.0


PRINTED_MM = {"overview": (92.0, 64.0), "drawn": (24.9, math.inf)}
"""Widths and heights on A4 that page.css leaves to the two kinds of drawing."""


def smallest_type_pt(svg, kind):
    root = drawing(svg)
    width, height = map(float, root.get("viewBox").split()[2:])
    most = PRINTED_MM[kind]
    mm_per_unit = min(most[0] / width, most[1] / height)
    sizes = [float(text.get("font-size")) for text in root.iter() if text.tag.endswith("text")]
    return min(sizes, default=math.inf) * mm_per_unit / 0.3528


@pytest.mark.parametrize("end", [6.0, 20.0, 38.0])
def test_type_in_the_drawings_is_not_under_seven_points_on_paper(end):
    made = sheet(limbs={"proximal": {"start": 2.0, "end": end}, "distal": {"start": 0.0, "end": end}})
    assert smallest_type_pt(overview(made), "overview") >= 6.95
    for result in made.answers:
        assert smallest_type_pt(technique_drawing(made, result), "drawn") >= 6.95


def flagged(code, where):
    from qca.reading import Flag

    return Flag(code, where, code)


def test_type_on_paper_is_not_under_seven_points_however_much_cannot_be_told():
    flags = tuple(flagged("overlap", name) for name in ("proximal", "distal", "side"))
    for technique in ("double_kissing_crush", "culotte_classic", None):
        for devices in (
            PLENTY,
            "kind,label,nominal_mm,length_mm,expansion_limit_mm,cell_opening_mm,note\nstent,one,2.5,15,,,\n",
        ):
            made = sheet(devices, case="", made=reading(flags=flags), technique=technique)
            assert sum(one.verdict == "cannot_tell" for one in made.lesion.judgements) >= 4
            size = re.search(r"--print-size: ([\d.]+)pt", worksheet_page(made))
            assert float(size[1]) >= 7.0


def test_no_rule_of_the_printed_page_makes_type_smaller():
    from pathlib import Path

    import qca.sizing.html

    style = (
        (Path(qca.sizing.html.__file__).parent / "page.css").read_text(encoding="utf-8").partition("@media print")[2]
    )
    sizes = re.findall(r"font-size:\s*([^;]+);", style)
    assert "var(--print-size)" in sizes
    assert all(float(size.removesuffix("em")) >= 1.0 for size in sizes if size != "var(--print-size)")


def test_each_printed_page_begins_with_the_caution_and_what_it_belongs_to():
    page = worksheet_page(sheet())
    head = page[page.index("<header>") : page.index("</header>")]
    assert CAUTION.split(".")[0] in head
    assert "Sizing worksheet" in head
    assert "SHA-256" in head
    assert re.search(r"\.sheet > header {[^}]*display: table-header-group", page)


def test_numbers_of_a_flagged_limb_and_flagged_angles_say_so_wherever_they_stand():
    made = sheet(made=reading(flags=(flagged("overlap", "side"), flagged("overlap_beside", "angles"))))
    written = [text.text for text in drawing(overview(made)).iter() if text.tag.endswith("text")]
    assert "Side (flagged)" in written
    assert "Proximal" in written
    assert all(text.endswith("(flagged)") for text in written if re.match("[ABC] ", text))
    text = re.sub(r"<[^>]*>", "", worksheet_page(made))
    for title in ("Angles", "Medina", "Side ostium", "Kissing ring"):
        assert re.search(rf"{title}[^\n]*; flagged", text), title
    clean = re.sub(r"<[^>]*>", "", worksheet_page(sheet()))
    assert "flagged" not in clean


@pytest.mark.parametrize(("code", "where"), [("catheter_unclear", "scale"), ("overlap", "side")])
def test_measured_numbers_say_at_the_number_that_they_are_flagged(code, where):
    """A scale that is no good spoils lengths, and no percentages; a limb's own flag spoils all of its numbers."""
    page = worksheet_page(sheet(made=reading(flags=(flagged(code, where),))))
    rows = re.findall(r'<td class="nowrap" data-head="RVD">(.*?)</tr>', page)
    assert len(rows) == 3
    for row, limb in zip(rows, ("proximal", "distal", "side"), strict=True):
        spoilt = where in {"scale", limb}
        cells = row.split("</td>")
        assert ["flagged" in cell for cell in cells[:4]] == [spoilt, spoilt, spoilt and where == limb, spoilt], limb


def test_what_is_missing_is_said_once_with_where_to_put_it():
    made = plan(reading(), case=parse_case(""))
    text = re.sub(r"<[^>]*>", " ", worksheet_page(made))
    assert "say in the case file: " in text
    assert "give a device table with: main stent" in text
    for line in re.findall(r"Not known: ([^.]*)\.", text):
        for place in ("case: ", "device table: "):
            assert line.count(place) <= 1
        named = re.split(r"[,;:] ", line)
        assert len(named) == len(set(named)), line


def test_a_remark_that_two_limbs_share_stands_once_to_know():
    made = sheet(made=reading(flags=(flagged("ostial", "side"), flagged("ostial", "distal"))))
    text = worksheet_page(made)
    assert text.count("The narrowing starts where the limb leaves the confluence") == 1


@pytest.mark.parametrize(("proximal", "side"), [(9.0, 8.0), (10.0, 6.0)])
def test_no_label_runs_into_that_of_the_scale_bar(proximal, side):
    """ "5 mm" is wider than four average letters: 2.9 em in a common wide font."""
    lesions = {
        "proximal": {"reference": 4.57, "start": 1.0, "end": proximal},
        "distal": {"reference": 3.57, "start": 0.4, "end": 8.8},
        "side": {"reference": 3.37, "start": 0.0, "end": side},
    }
    root = drawing(overview(plan(reading(angles=(140.0, 74.0, 146.0), limbs=lesions), case=parse_case(""))))
    texts = [one for one in root.iter() if one.tag.endswith("text")]
    (label,) = (one for one in texts if one.text == "5 mm")
    x, y, size = (float(label.get(key)) for key in ("x", "y", "font-size"))
    for text in texts:
        if text is not label and abs(float(text.get("y")) - y) < 0.8 * size:
            assert text.get("text-anchor") == "end"
            assert float(text.get("x")) - 0.58 * size * len(text.text) > x + 2.9 * size + 2.0, text.text


@pytest.mark.parametrize("angles", [(164.0, 105.0, 91.0), (150.0, 60.0, 150.0), (120.0, 110.0, 130.0)])
def test_no_label_of_the_overview_lies_on_a_daughter_or_on_another_label(angles):
    lesions = {
        "proximal": {"reference": 2.45, "start": 1.5, "end": 4.2},
        "distal": {"reference": 1.72, "start": 4.3, "end": 9.6},
        "side": {"reference": 1.85, "start": 0.9, "end": 2.6},
    }
    flags = tuple(flagged("overlap", name) for name in (*lesions, "angles"))
    made = plan(reading(angles=angles, limbs=lesions, flags=flags), case=parse_case(""))
    root = drawing(overview(made))
    bars = [points(line) for line in root.iter() if line.tag.endswith("polyline")]
    scale_bar = [bar for bar in bars if len(bar) == 4 and bar[0][0] == bar[1][0]][-1]
    zoom = math.dist(scale_bar[1], scale_bar[2]) / 5.0
    boxes = []
    for text in (one for one in root.iter() if one.tag.endswith("text")):
        size, x, y = (float(text.get(key)) for key in ("font-size", "x", "y"))
        width = 0.5 * size * len(text.text)
        left = x - {"end": width, "middle": width / 2}.get(text.get("text-anchor"), 0.0)
        boxes.append((left, y - 0.7 * size, left + width, y))
    for k, (x0, y0, x1, y1) in enumerate(boxes):
        for a0, b0, a1, b1 in boxes[:k]:
            assert not (x0 < a1 and a0 < x1 and y0 < b1 and b0 < y1)
    plane = sketch(made.facts.measured)
    limb_lines = [box for box, text in zip(boxes, [t for t in root.iter() if t.tag.endswith("text")], strict=True)
                  if re.match("reference|MLD|DS|Proximal|Distal|Side", text.text)]  # fmt: skip
    for name in ("distal", "side"):
        # the drawn ends lie at 15.6 and 8.6 mm; text keeps off by its own stroke
        for position in range(8 if name == "side" else 17):
            x, y = (zoom * v for v in plane.limbs[name].at(float(position), 0.0))
            assert not any(x0 < x < x1 and y0 < y < y1 for x0, y0, x1, y1 in limb_lines), name
