import math

import pytest

from qca.report.measured import Measured, number_text, probability_text


def test_interval_is_1_96_sd_on_either_side():
    number = Measured(2.0, 0.1, "mm", 2)
    assert number.interval == pytest.approx((1.804, 2.196))
    assert number.interval_text == "1.80 to 2.20"
    assert number.text == "2.00 ± 0.10 mm"


def test_interval_stops_where_the_quantity_does():
    assert Measured(0.1, 0.1, "mm", 2, floor=0.0).interval[0] == 0.0
    assert Measured(98.0, 4.0, "%", 1, ceiling=100.0).interval == pytest.approx((90.16, 100.0))


def test_unknown_is_said_and_never_zero():
    number = Measured(math.nan, math.nan, "mm", 2)
    assert number.text == number.bare_text == number.value_text == "not known"
    assert number.sd_text == number.interval_text == ""
    assert all(math.isnan(v) for v in number.interval)


def test_unknown_sd_is_said():
    assert Measured(2.0, math.nan, "mm", 2).text == "2.00 mm (SD not known)"


def test_quantity_without_sd_has_none():
    number = Measured(7.25, None, "mm", 2)
    assert number.text == "7.25 mm"
    assert number.interval_text == ""


def test_small_sd_is_not_written_as_zero():
    assert Measured(2.0, 0.0004, "mm", 2).sd_text == "< 0.01"


def test_degree_sign_follows_without_space():
    assert Measured(61.04, 1.25, "°", 1).text == "61.0 ± 1.2°"


@pytest.mark.parametrize(("value", "text"), [(-0.001, "0.00"), (-1.0, "-1.00"), (math.inf, "not known")])
def test_numbers_have_no_negative_zero(value, text):
    assert number_text(value, 2) == text


@pytest.mark.parametrize(
    ("probability", "text"),
    [(0.0, "< 1 %"), (0.004, "< 1 %"), (0.61, "61 %"), (0.99, "99 %"), (0.9999, "> 99 %"), (math.nan, "not known")],
)
def test_probabilities_never_claim_certainty(probability, text):
    assert probability_text(probability) == text


@pytest.mark.parametrize(
    ("probability", "text"),
    [(0.0516, "5.2 %"), (0.0471, "4.7 %"), (0.0439, "4 %"), (0.9482, "94.8 %"), (0.951, "95.1 %"), (0.0504, "5.04 %")],
)
def test_probabilities_tell_on_which_side_of_a_verdicts_limit_they_are(probability, text):
    """ "borderline" beside "5 %" and "at most 5 %" looked like a contradiction."""
    assert probability_text(probability) == text


def test_an_angles_interval_ends_at_half_a_turn():
    from qca.report.limb_angles import angle_number

    assert angle_number(179.0, 3.0).interval_text == "173.1 to 180.0"
    assert angle_number(1.0, 3.0).interval_text == "0.0 to 6.9"
    assert angle_number(90.0, 3.0).interval_text == "84.1 to 95.9"
