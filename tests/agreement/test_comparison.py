"""Which reads are compared, what happens to missing and repeated ones, and the two files that come out."""

import csv
import io
import math
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from numpy.testing import assert_allclose

from qca import CAUTION
from qca.agreement.columns import Read
from qca.agreement.comparison import agree
from qca.agreement.estimate import Estimate
from qca.agreement.numbers import COLUMNS, numbers_csv, statistics
from qca.agreement.observations import Observation, read_observations
from qca.agreement.plot import ticks
from qca.agreement.report import WORDS, kappa_shown, report_html, who
from qca.agreement.written import shown
from qca.errors import InputError
from tests.agreement.published import LARGE, MINI


def reads(reader, passage, values, *, quantity="mld", limb="distal", unit="mm", sd=0.05):
    return [
        Observation(f"item{index}", reader, passage, limb, quantity, unit, value, sd)
        for index, value in enumerate(values)
        if value is not None
    ]


def peak_flow():
    return [
        *reads("large", 1, LARGE[:, 0], unit="l/min", sd=10.0),
        *reads("large", 2, LARGE[:, 1], unit="l/min", sd=10.0),
        *reads("mini", 1, MINI[:, 0], unit="l/min", sd=10.0),
        *reads("mini", 2, MINI[:, 1], unit="l/min", sd=10.0),
    ]


def by_label(agreement):
    return {(one.kind, one.label): one for one in agreement.comparisons}


def test_two_readers_two_passes_give_three_comparisons():
    """The whole worked example of Bland and Altman 1986 through the front door."""
    found = by_label(agree(peak_flow(), factor=2))
    assert set(found) == {
        ("intra-reader", "large, pass 1 against large, pass 2"),
        ("intra-reader", "mini, pass 1 against mini, pass 2"),
        ("inter-reader", "large, pass 1 against mini, pass 1"),
    }
    between = found["inter-reader", "large, pass 1 against mini, pass 1"]
    assert_allclose(between.differences.bias.value, 2.1176470588)
    assert_allclose(
        [between.corrected.low, between.corrected.high], [6.0294 - 2 * 37.655, 6.0294 + 2 * 37.655], atol=2e-3
    )
    within = found["intra-reader", "large, pass 1 against large, pass 2"]
    assert_allclose(within.repeatability.coefficient.value, 43.29, atol=6e-3)
    assert_allclose(between.tool_sd, 10 * math.sqrt(2))


def test_three_readers_are_compared_in_pairs_and_together():
    rng = np.random.default_rng(3)
    truth = rng.uniform(1, 3, 12)
    values = [one for name in "ABC" for one in reads(name, 1, truth + rng.normal(0, 0.1, 12))]
    found = agree(values).comparisons
    assert [len(one.reads) for one in found] == [2, 2, 2, 3]
    together = found[-1]
    assert together.differences is None
    assert together.intraclass.k == 3


def test_three_passes_share_one_repeatability():
    values = [*reads("A", 1, [1.0, 2.0, 3.0]), *reads("A", 2, [1.1, 2.1, 3.1]), *reads("A", 3, [1.2, None, 3.2])]
    together = agree(values).comparisons[-1]
    assert together.reads == (Read("A", 1), Read("A", 2), Read("A", 3))
    assert together.repeatability.reads == 8


def test_missing_and_single_reads_are_counted():
    values = [*reads("A", 1, [1.0, 2.0, 3.0, 4.0, 5.0]), *reads("B", 1, [1.1, math.nan, 3.1, 4.3, None])]
    (one,) = agree(values).comparisons
    assert (one.missing, one.alone, one.differences.n) == (1, 1, 3)
    page = report_html(agree(values))
    assert "1 frames are left out because a read has no value." in page
    assert "1 frames were read by one of the readers only" in page


def test_a_read_given_twice_counts_once_and_is_said():
    values = [*reads("A", 1, [1.0, 2.0, 3.0]), *reads("B", 1, [1.1, 2.2, 3.3]), *reads("B", 1, [1.5])]
    agreement = agree(values)
    assert agreement.comparisons[0].values[0, 1] == 1.5
    assert "1 values were given more than once" in agreement.notes[0]


def test_medina_digits_and_codes_get_kappa():
    values = []
    for reader, rows in {
        "A": [(1, 0, 1), (1, 1, 1), (0, 0, 1), (1, 0, 0)],
        "B": [(1, 0, 1), (1, 1, 1), (0, 1, 1), (1, 0, math.nan)],
    }.items():
        for limb, digits in zip(("proximal", "distal", "side"), zip(*rows, strict=True), strict=True):
            values += reads(reader, 1, [float(d) for d in digits], quantity="medina_digit", limb=limb, unit="1")
    found = {(one.limb, one.quantity): one for one in agree(values).comparisons}
    assert found["proximal", "medina_digit"].kappa.coefficient.value == 1
    # distal: 0 1 0 0 against 0 1 1 0: observed 3/4, chance 3/4 * 1/2 + 1/4 * 1/2
    assert_allclose(found["distal", "medina_digit"].kappa.coefficient.value, (3 / 4 - 1 / 2) / (1 / 2))
    assert found["side", "medina_digit"].kappa.dropped == 1
    codes = found["bifurcation", "medina_code"].kappa
    assert (codes.n, codes.dropped) == (3, 1)
    assert_allclose(codes.observed, 2 / 3)
    assert set(codes.shares) == {"1,0,1", "1,1,1", "0,0,1", "0,1,1"}
    only = agree(values, quantities=["medina_code"]).comparisons
    assert [(one.limb, one.quantity) for one in only] == [("bifurcation", "medina_code")]
    assert [one.limb for one in agree(values, limbs=["side"]).comparisons] == ["side"]


def test_limbs_without_a_narrowing_take_no_part_in_lengths_and_places():
    """Nobody disagrees about a lesion that nobody saw, and the smallest diameter of a healthy limb lies anywhere."""
    values = []
    for reader, lengths, places in (("A", [4.0, 0.0, 5.0, 6.0, 3.0], [2, 9, 3, 4, 5]),
                                    ("B", [4.2, 0.0, 5.1, 0.0, 3.1], [2.1, 1, 3.1, 8, 5.1])):  # fmt: skip
        values += reads(reader, 1, lengths, quantity="lesion_length")
        values += reads(reader, 1, places, quantity="mld_position")
        values += reads(reader, 1, [2.0, 2.1, 2.2, 2.3, 2.4])
    agreement = agree(values)
    found = {one.quantity: one for one in agreement.comparisons}
    assert list(found) == ["lesion_length", "mld_position", "mld"]
    # frame 2 is healthy for both, frame 4 for one of them: a length of 6 against 0 is a disagreement
    assert found["lesion_length"].differences.n == 4
    assert_allclose(found["lesion_length"].differences.bias.value, (0.2 + 0.1 - 6.0 + 0.1) / 4)
    place = found["mld_position"]
    assert (place.differences.n, place.missing) == (3, 1)
    assert_allclose(place.differences.bias.value, 0.1)
    assert found["mld"].differences.n == 5
    assert agreement.notes == (
        "In 1 limbs no read found a narrowing: lesion lengths and places are compared in the others only.",
    )


@pytest.mark.parametrize(
    ("estimate", "unit", "text"),
    [
        (Estimate(-0.00029, -0.004, 0.003), "mm", "0.000 mm (-0.004 to 0.003)"),
        (Estimate(0.0010, 0.00044, 0.00151), "mm/px", "0.00100 mm/px (0.00044 to 0.00151)"),
        (Estimate(11.4, -2.25, 103.0), "percent", "11.40 % (-2.25 to 103.00)"),
        (Estimate(-2.1176, -22.0488, 17.8135), "l/min", "-2.1 l/min (-22.0 to 17.8)"),
        (Estimate(0.00002), "1", "under 0.0005"),
        (Estimate(12.0), "items", "12"),
        (Estimate(), "mm", "not known"),
    ],
)
def test_a_number_and_its_bounds_have_the_same_decimals(estimate, unit, text):
    assert shown(estimate, unit) == text


def test_differences_of_percentages_are_in_points_and_the_coefficient_of_variation_is_not():
    first, second = [30.0, 45.0, 62.0, 51.0], [31.0, 44.5, 63.5, 50.0]
    found = agree(
        [*reads("A", 1, first, quantity="ds", unit="percent"), *reads("A", 2, second, quantity="ds", unit="percent")]
    )
    text = re.sub(r"<[^>]*>", " ", report_html(found)).replace("\N{NO-BREAK SPACE}", " ")
    for name in ("bias", "sd_of_differences", "lower_limit", "upper_limit", "within_subject_sd"):
        assert re.search(rf"{re.escape(WORDS[name])}\s+-?\d+\.\d\d points \(", text), name
    assert re.search(r"coefficient of variation\s+\d+\.\d\d % ", text)
    assert "second minus first, points" in text
    assert "mean of the two reads, %" in text


def test_labels_of_the_plot_have_the_tables_decimals():
    found = agree([*reads("A", 1, [1.0, 2.0, 3.0, 4.0]), *reads("A", 2, [1.0123, 2.0456, 2.9789, 4.1])])
    labels = re.findall(r">(?:bias|[+\u2212]1\.96 SD) (-?[\d.]+)<", report_html(found))
    assert len(labels) == 3
    assert all(len(label.partition(".")[2]) == 3 for label in labels)


def test_comparisons_are_named_in_few_words():
    values = [one for name in "ABC" for one in reads(name, 1, [1.0, 2.0, 3.0], quantity="medina_digit", unit="1")]
    values += reads("A", 2, [1.0, 2.0, 3.0], quantity="medina_digit", unit="1")
    found = agree(values).comparisons
    assert [who(one) for one in found] == [
        *("within A: passes 1, 2", "between A, B", "between A, C", "between B, C", "between A, B, C"),
    ]
    same = agree(
        [*reads("A", 1, [0.0] * 3, quantity="medina_digit"), *reads("B", 1, [0.0] * 3, quantity="medina_digit")]
    )
    assert kappa_shown(same.comparisons[0]) == "all in one category"


def test_nothing_read_twice_is_one_sentence():
    with pytest.raises(InputError, match="No frame was read twice"):
        agree([*reads("A", 1, [1.0]), *reads("B", 1, [None, 2.0])])


def test_an_unknown_quantity_is_one_sentence():
    with pytest.raises(InputError, match=r"no quantity 'mlt'.*known are mld"):
        agree(peak_flow(), quantities=["mlt"])


def test_numbers_are_tidy_and_complete():
    table = list(csv.DictReader(io.StringIO(numbers_csv(agree(peak_flow())))))
    assert tuple(table[0]) == COLUMNS
    assert {row["statistic"] for row in table} <= set(WORDS)
    bias = [row for row in table if row["statistic"] == "bias" and row["comparison"] == "inter-reader"]
    assert_allclose(float(bias[0]["value"]), 2.1176470588)
    assert bias[0]["unit"] == "l/min"
    names = [each.name for each in statistics(agree(peak_flow()).comparisons[0])]
    assert len(names) == len(set(names))


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.links, self.text = [], [], ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name in ("src", "href", "xlink:href", "data", "action")]

    def handle_data(self, data):
        self.text += data


def test_the_report_is_one_file_and_carries_the_caution():
    page = Page(report_html(agree(peak_flow())))
    assert page.text.count(CAUTION) == 1
    assert all(link.startswith("#") for link in page.links)
    assert not {"script", "link", "img", "iframe"} & set(page.tags)
    assert page.tags.count("svg") == 3
    assert page.tags.count("circle") == 3 * 17
    assert "tool alone" in page.text


def test_text_from_tables_is_escaped():
    nasty = "<script>alert(1)</script>"
    values = [*reads(nasty, 1, [1.0, 2.0, 3.0], limb=nasty), *reads("B", 1, [1.5, 2.0, 3.0], limb=nasty)]
    text = report_html(agree(values), source=nasty)
    assert "<script" not in text
    assert "script" not in Page(text).tags


def test_equal_reads_are_called_out():
    values = [*reads("A", 1, [1.0, 2.0, 3.0]), *reads("A", 2, [1.0, 2.0, 3.0])]
    assert "check that the second read was a read of its own" in report_html(agree(values))


@pytest.mark.parametrize(("low", "high", "expected"), [(0, 1, (0, 0.2, 0.4, 0.6, 0.8, 1)), (-30, 45, (-20, 0, 20, 40))])
def test_ticks_are_round(low, high, expected):
    assert_allclose(ticks(low, high), expected)


def test_a_drawing_of_many_points_stays_small():
    rng = np.random.default_rng(0)
    truth = rng.uniform(1, 3, 9000)
    text = report_html(agree([*reads("A", 1, truth), *reads("B", 1, truth + rng.normal(0, 0.1, 9000))]))
    assert Page(text).tags.count("circle") == 3000
    assert "one in 3 drawn" in text


TABLE = "code,reader,pass,limb,quantity,unit,value,sd\n" + "".join(
    f"F{i},{reader},1,distal,mld,mm,{value},0.05\n"
    for reader, column in (("A", LARGE[:, 0]), ("B", MINI[:, 0]))
    for i, value in enumerate(column)
)


@pytest.mark.parametrize(
    "encode",
    [
        lambda text: text.encode(),
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.encode("utf-16"),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.replace(",", ";").replace("0.05", "0,05").encode(),
        lambda text: text.replace(",", "\t").encode(),
    ],
)
def test_tables_as_spreadsheets_write_them(tmp_path, encode):
    path = tmp_path / "values.csv"
    path.write_bytes(encode(TABLE))
    observations, notes = read_observations([path])
    assert not notes
    assert len(observations) == 34
    assert observations[0] == Observation("F0", "A", 1, "distal", "mld", "mm", 494.0, 0.05)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("code,reader\nF1,A\n", "lacks the column value"),
        ("value,reader\n1,A\n", "neither a column item nor code"),
        ("code,value,valeu\nF1,1,2\n", None),
        ("code,vlaue\nF1,1\n", "did you mean 'value'"),
        ("code,value\nF1,1,2\n", "line 2: 3 cells under 2 columns"),
        ("code,value\nF1,one\n", "line 2: value is 'one', which is no number"),
        ("code,value\nF1,inf\n", "line 2: value is infinite"),
        ("code,value,pass\nF1,1,0\n", "passes are counted from 1"),
        ("code,value,value\nF1,1,2\n", "the column 'value' twice"),
        ("code,value\n,1\n", "line 2: neither item nor code"),
        ("code,value\n", "no values in the table"),
        (b"code,value\nF1,1\nM\xfcller,2\n", "not UTF-8 text at or soon after line"),
        (b"code,value\nF1,1\n\x00,2\n", None),
        ('code,value\n"F1,1\n', "not a readable table line"),
    ],
)
def test_bad_tables_are_one_sentence(tmp_path, text, message):
    path = tmp_path / "bad.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    if message is None:  # odd, but readable: an extra column, a null sign in a code
        assert read_observations([path])[0]
        return
    with pytest.raises(InputError, match=message):
        read_observations([path])


def test_tables_without_readers_are_told_apart_by_their_place(tmp_path):
    for name in "ab":
        (tmp_path / f"{name}.csv").write_text("code,value\nF1,1\nF2,2\nF3,4\n", encoding="utf-8")
    observations, notes = read_observations([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert {one.reader for one in observations} == {"table 1", "table 2"}
    assert len(notes) == 2


def test_the_command(qca, tmp_path):
    path = tmp_path / "values.csv"
    path.write_text(TABLE, encoding="utf-8")
    code, out, err = qca("agree", path, "--out", tmp_path / "report", "--factor", "2")
    assert code == 0
    assert "between A, B" in out
    assert "wrote" in err
    assert CAUTION in err
    numbers = (tmp_path / "report" / "agreement.csv").read_text(encoding="utf-8")
    assert "inter-reader" in numbers
    assert "±" in (tmp_path / "report" / "agreement.html").read_text(encoding="utf-8")
    code, out, _ = qca("agree", path, "--factor", "2", "--csv")
    assert out == numbers


def test_the_command_s_mistakes(qca, tmp_path):
    code, out, err = qca("agree", tmp_path / "none.csv")
    assert (code, out) == (1, "")
    assert err.count("\n") == 1
    assert "none.csv" in err
    assert qca("agree")[0] == 2
    assert qca("agree", "x.csv", "--ledger", "y.sqlite")[0] == 2
    assert qca("agree", "x.csv", "--factor", "0")[0] == 2
