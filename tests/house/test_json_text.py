"""Strict JSON in, readable JSON out."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qca import json_text
from qca.errors import InputError
from qca.json_text import parse_json, read_json, write_json

TREES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**15), 10**15)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=20,
)


@given(TREES)
def test_what_is_written_is_read_back(tree):
    text = write_json(tree)
    assert json.loads(text) == tree  # the standard library as reference
    assert parse_json(text, name="t") == tree


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is not JSON.*line 1, column 1"),
        (b"{", "is not JSON.*line 1, column 2.*: check which file it is"),
        (b'{"a": NaN}', "holds NaN, which is not JSON: write null"),
        (b'{"a": -Infinity}', "holds -Infinity"),
        (b'{"a": 1, "a": 2}', "has the key 'a' twice"),
        (b'{"a": 1e999}', "1e999, which is too large"),
        (b'{"a": [1e999]}', "1e999, which is too large"),
        (b"[" + b"1" * 5000 + b"]", "an integer of 5000 digits"),
        (b"\xff\xfe{}", "is not UTF-8 text"),
        (b"[" * 200_000, "nested too deeply"),
        (b"\x00" * 10, "is not JSON"),
    ],
)
def test_bad_json_is_refused_in_one_sentence(data, message):
    with pytest.raises(InputError, match=message) as caught:
        parse_json(data, name="x.json")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("x.json")


def test_a_byte_order_mark_is_taken():
    assert parse_json(b"\xef\xbb\xbf{}", name="x") == {}


def test_a_missing_file_is_one_sentence(tmp_path):
    with pytest.raises(InputError, match=r"Cannot read .*none\.json \(No such file or directory\)"):
        read_json(tmp_path / "none.json")


def test_a_folder_is_no_file(tmp_path):
    with pytest.raises(InputError, match="Cannot read"):
        read_json(tmp_path)


def test_a_huge_file_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setattr(json_text, "MAX_BYTES", 1024 * 1024)
    (tmp_path / "huge.json").write_bytes(b" " * (1024 * 1024 + 1))
    with pytest.raises(InputError, match=r"huge\.json is larger than 1 MB"):
        read_json(tmp_path / "huge.json")


def test_not_a_number_is_the_callers_mistake():
    with pytest.raises(ValueError, match="Out of range"):
        write_json({"a": float("nan")})
