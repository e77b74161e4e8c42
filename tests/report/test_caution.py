"""The caution looks alike on every page."""

from __future__ import annotations

import re

import pytest

from qca.agreement.comparison import agree
from qca.agreement.observations import Observation
from qca.agreement.report import report_html as agreement_html
from qca.change.comparison import compare
from qca.change.page import comparison_page
from qca.report.html import report_html
from qca.sizing.html import worksheet_page
from qca.sizing.worksheet import plan
from qca.validation.document import Origin
from qca.validation.report import validation_html
from qca.validation.run import Results
from tests.sizing.invented_reading import reading


def sized():
    return plan(reading())


def agreed():
    values = enumerate((2.1, 2.4, 2.6, 2.9))
    return agree([Observation(f"item{k}", reader, 1, "distal", "mld", "mm", value + 0.01 * k, 0.05)
                  for k, value in values for reader in ("reader1", "reader2")])  # fmt: skip


PAGES = {
    "report": lambda case: report_html(case.reading, case.frame),
    "report with worksheet": lambda case: report_html(case.reading, case.frame, sized()),
    "worksheet": lambda _: worksheet_page(sized()),
    "comparison": lambda _: comparison_page(compare(reading(), reading(index=1))),
    "validation": lambda _: validation_html(Results((), (), (), ()), Origin("qca validate", 1, "frames")),
    "agreement": lambda _: agreement_html(agreed()),
}


@pytest.mark.parametrize("name", PAGES)
def test_every_page_frames_its_caution_alike(name, bifurcation):
    """Black, red and orange frames, each of one page, looked like three grades of warning."""
    page = PAGES[name](bifurcation)
    assert '<p class="caution" role="note">' in page
    looks = re.findall(r"(?:border|background|color)[\w-]*:[^;}]+", " ".join(re.findall(r"\.caution {([^}]*)}", page)))
    assert [one for one in looks if "radius" not in one] == ["border: 1.5px solid #1b2126"]
