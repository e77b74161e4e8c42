"""Numbers that stay on one line with their uncertainty and unit."""

import pytest
from markupsafe import Markup

from qca.report.unbroken import unbroken

TIE = "\N{NO-BREAK SPACE}"


@pytest.mark.parametrize(
    "text",
    ["1.45 ± 0.05 mm", "87 %", "< 1 %", "≥ 33.9 mm", "0.2016 ± 0.0042 mm", "3.70 ± 0.20 px", "11 atm"],
)
def test_no_line_ends_inside_a_number(text):
    assert unbroken(text) == text.replace(" ", TIE)


def test_lines_still_end_between_words():
    written = unbroken("Angle B at least 70°: 56 ± 3°, probability 87 % of 3 stents; 5 mmol")
    assert written == f"Angle B at least 70°: 56{TIE}±{TIE}3°, probability 87{TIE}% of 3 stents; 5 mmol"


def test_markup_and_numbers_are_left_alone():
    markup = Markup('<path d="M1 2" title="3 mm"/>')
    assert unbroken(markup) is markup
    assert unbroken(3) == 3
