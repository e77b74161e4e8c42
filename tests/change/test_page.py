"""The comparison's page: numbers as in the comparison, curves where they say, harmless text from files."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser

import pytest

from qca import CAUTION
from qca.change.comparison import compare
from qca.change.page import comparison_page
from qca.change.region import Stretch
from qca.change.written import change_text, comparison_lines
from qca.reading import Flag
from qca.report.diameter_axes import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH
from tests.sizing.invented_reading import reading

BEFORE = {"proximal": {"ds": 60.0}, "distal": {"ds": 35.0}, "side": {"ds": 65.0}}
AFTER = {"proximal": {"ds": 5.0}, "distal": {"ds": 8.0}, "side": {"ds": 30.0}}
LATER = {"proximal": {"ds": 20.0}, "distal": {"ds": 12.0}, "side": {"ds": 55.0}}
STENTS = {"proximal": Stretch(2.0, 12.0)}


class Parts(HTMLParser):
    """Elements with their attributes, and all text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.texts).replace("\N{NO-BREAK SPACE}", " "))

    @property
    def doubtful(self) -> list[dict[str, str]]:
        return [a for _, a in self.elements if a.get("class") == "number doubtful"]

    def role(self, role: str, owner: str) -> list[dict[str, str]]:
        return [a for _, a in self.elements if a.get("data-role") == role and a.get("data-of") == owner]


def made(*, later=True, flags=(), **arguments):
    readings = [reading(limbs=BEFORE), reading(limbs=AFTER, index=1, flags=flags), reading(limbs=LATER, index=2)]
    found = compare(*readings[: 3 if later else 2], stents=STENTS, **arguments)
    return found, Parts(comparison_page(found))


def test_every_change_of_the_comparison_is_on_the_page():
    found, page = made()
    for one in found.regions:
        for change in (one.acute_gain, one.late_loss, one.net_gain, one.loss_index):
            assert change_text(change) in page.text
    assert "0.79 ± 0.06 mm" in page.text  # 2.25 mm less 65 %
    assert page.text.count(CAUTION) == 2
    assert "worst place in the last reading: Side, whole limb: stenosis 55 ± 2 %" in page.text


def test_without_a_third_reading_there_is_no_table_of_losses():
    _, page = made(later=False)
    assert "Before, after: one bifurcation compared" in page.text
    assert "Late loss" not in page.text
    assert not page.role("later", "side")


@pytest.mark.parametrize(("limb", "reference"), [("proximal", 3.5), ("distal", 2.75), ("side", 2.25)])
def test_curves_lie_where_the_diameters_are(limb, reference):
    # lesions of the invented reading are raised cosines: the lowest point of each curve is the MLD, in all limbs on
    # one axis that ends 6 % above the highest interval, 3.5 mm and 1.96 SDs
    _, page = made()
    top = 1.06 * (3.5 + 1.96 * (0.06**2 + 0.035**2) ** 0.5)
    for time, table in (("before", BEFORE), ("after", AFTER), ("later", LATER)):
        (path,) = page.role(time, limb)
        y = [float(point.split(",")[1]) for point in path["d"].strip("M").split("L")]
        mld = reference * (1 - table[limb]["ds"] / 100)
        assert max(y) == pytest.approx(HEIGHT - BOTTOM - mld / top * (HEIGHT - TOP - BOTTOM), abs=0.05)


def test_the_stented_stretch_is_a_zone_of_its_limb():
    _, page = made()
    (zone,) = [a for tag, a in page.elements if a.get("data-role") == "stent"]
    per_mm = (WIDTH - LEFT - RIGHT) / 22  # the proximal limb is the longest: 22 mm
    assert float(zone["x"]) == pytest.approx(LEFT + 2 * per_mm, abs=0.01)
    assert float(zone["width"]) == pytest.approx(10 * per_mm, abs=0.02)


def test_what_cannot_be_trusted_says_so_at_the_number_and_first_of_all():
    _, clean = made()
    assert "No number is marked as unreliable." in clean.text
    _, page = made(flags=(Flag("misfit", "side", "Something lies on the limb."),))
    assert "Not to be relied on as it stands" in page.text
    assert page.text.index("Something lies on the limb.") < page.text.index("Diameter along each limb")
    # The side branch after, in the legend; in both of its regions MLD after, gain, residual stenosis, loss and loss
    # index; the change of its reference.
    assert page.text.count("not reliable") == 1 + 2 * 5 + 1
    assert len(page.doubtful) == 1 + 2 * 5 + 1


def test_a_number_that_holds_what_was_not_traced_is_marked_itself():
    """An alarm on top and "7 ± 1 %, probability > 99 %" below looked like two different things."""
    limbs = {"proximal": Stretch(0.0, 20.0)}  # traced over 22 mm; 5 mm of margin beyond the stent
    readings = [reading(limbs=BEFORE), reading(limbs=AFTER, index=1)]
    page = Parts(comparison_page(compare(*readings, stents=limbs)))
    why = " not reliable: 3.0 mm not traced"
    assert f"5 ± 2 %{why}" in page.text
    assert page.text.count(why) == 2 * 3  # margins, and stent with margins: MLD after, gain, residual stenosis
    assert len(page.doubtful) == 2 * 3
    bad = compare(readings[0], reading(limbs=BEFORE, index=1), stents=limbs)
    page = Parts(comparison_page(bad))
    assert "60 ± 2 %under 20 %" in page.text  # what was seen narrow is narrow
    assert f"60 ± 2 %{why}" not in page.text


def test_readings_of_one_frame_and_shifted_references_mark_each_change():
    same = compare(reading(limbs=BEFORE), reading(limbs=AFTER))
    # four regions, three references, three angles
    assert Parts(comparison_page(same)).text.count("not reliable: same frame") == 4 + 3 + 3
    grown = {name: {"reference": 1.3 * value, **AFTER[name]}
             for name, value in (("proximal", 3.5), ("distal", 2.75), ("side", 2.25))}  # fmt: skip
    shifted = compare(reading(limbs=BEFORE), reading(limbs=grown, index=1))
    assert Parts(comparison_page(shifted)).text.count("not reliable: references shifted") == 4 + 3


def test_flagged_angles_are_marked_at_their_changes():
    _, page = made(flags=(Flag("overlap_beside", "angles", "a vessel beside"),))
    assert page.text.count("not reliable: angles flagged after") == 3
    assert len(page.doubtful) == 3


def test_notes_are_sentences_that_name_a_limb_and_its_times_once():
    flags = [Flag("ostial", limb, "") for limb in ("side", "distal")]
    readings = [reading(limbs=BEFORE, flags=(flags[0],)), reading(limbs=AFTER, index=1, flags=tuple(flags))]
    found = compare(*readings)
    page = Parts(comparison_page(found))
    lead = "Side, before and after; Distal, after"
    assert f"{lead}. The narrowing starts where the limb leaves the confluence" in page.text
    assert f"{lead}. The narrowing starts" in " ".join(comparison_lines(found).split())
    for field in ("regions", "readings", "scale", "stents", "before", "after", "later", "references", "frames"):
        assert f"{field}: " not in page.text.partition("To know")[2].partition("Readings")[0]


def test_text_from_files_is_harmless():
    bad = '<script>alert(1)</script>"\x1b[31m'
    one = reading(limbs=BEFORE)
    one = dataclasses.replace(one, frame=dataclasses.replace(one.frame, file=bad))
    flag = Flag("misfit", "side", bad)
    page = comparison_page(compare(one, reading(limbs=AFTER, index=1, flags=(flag,))))
    assert "<script" not in page
    assert "\x1b" not in page
    for tag, attributes in Parts(page).elements:
        assert tag not in {"script", "link", "iframe", "object", "a", "img"}
        assert not any(name.startswith("on") for name in attributes)


def test_the_same_readings_give_the_same_page():
    assert comparison_page(made()[0]) == comparison_page(made()[0])
