import math
import unicodedata

import hypothesis
import hypothesis.strategies as st
import pytest

from qca.report.plain import plain, plain_title, plain_value


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("lakeside_07.dcm", "lakeside_07.dcm"),
        ("Grüße 7°", "Grüße 7°"),
        ("a\nb\tc", "a\\x0ab\\x09c"),
        ("\x1b[31mred", "\\x1b[31mred"),
        ("fdp\u202egnp.exe", "fdp\\u202egnp.exe"),
        ("zero\u200bwidth", "zero\\u200bwidth"),
        ("\udc80", "\\udc80"),
        ("line\u2028end", "line\\u2028end"),
    ],
)
def test_hidden_characters_become_visible(given, shown):
    assert plain(given) == shown


@hypothesis.given(st.text())
def test_whatever_comes_is_one_printable_line(text):
    assert plain(text).isprintable() or any(unicodedata.category(c) == "Zs" for c in plain(text))
    assert plain(plain(text), 10_000) == plain(text)


def test_long_text_is_cut():
    assert plain("x" * 5000) == "x" * 400 + "…"
    assert plain("abcdef", 3) == "abc…"
    assert plain("abc", 3) == "abc"


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (None, "not known"),
        (math.nan, "not known"),
        (math.inf, "not known"),
        (True, "yes"),
        (0.123456789, "0.123457"),
        (12, "12"),
        ([1.5, 2], "1.5, 2"),
        ({"a": 1, "b": None}, "a: 1; b: not known"),
        ("x\x07", "x\\x07"),
    ],
)
def test_values_of_a_reading_become_text(value, shown):
    assert plain_value(value) == shown


@pytest.mark.parametrize(
    ("key", "shown"),
    [
        ("width_sd_px", "width SD, px"),
        ("contrast_per_px", "contrast, per px"),
        ("french", "french"),
        ("mm", "mm"),
        ("bits stored", "bits stored"),
        ("a\x1b_px", "a\\x1b, px"),
    ],
)
def test_names_of_values_become_words(key, shown):
    assert plain_title(key) == shown
