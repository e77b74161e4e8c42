"""reading.json: round trip, strictness, the contract's names, the schema."""

from __future__ import annotations

import copy
import dataclasses
import json
import math

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import qca
from qca.document import (
    parse_reading,
    read_reading,
    reading_from_json,
    reading_schema,
    reading_text,
    reading_to_json,
)
from qca.errors import InputError
from qca.json_text import parse_json

CONTRACT_TOP = {
    "schema",
    "software",
    "caution",
    "frame",
    "picks",
    "settings",
    "scale",
    "limbs",
    "angles_deg",
    "medina",
    "flags",
}
CONTRACT_LIMB = {
    "mld_mm", "mld_sd_mm", "mld_position_mm", "reference_mm", "reference_sd_mm", "reference_source", "ds_percent",
    "ds_sd_percent", "area_stenosis_percent", "lesion_start_mm", "lesion_end_mm", "lesion_length_mm", "length_mm",
    "flags", "profile",
}  # fmt: skip
CONTRACT_PROFILE = {
    "position_mm", "diameter_mm", "diameter_sd_mm", "reference_mm", "flags", "x_px", "y_px", "left_px", "right_px",
}  # fmt: skip


def same(one, other):
    """Compare two values of our types, NaN equal to NaN."""
    if dataclasses.is_dataclass(one):
        return type(one) is type(other) and all(
            same(getattr(one, field.name), getattr(other, field.name)) for field in dataclasses.fields(one)
        )
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other, equal_nan=True)
    if isinstance(one, float) and isinstance(other, float) and math.isnan(one):
        return math.isnan(other)
    if hasattr(one, "items"):
        return list(one) == list(other) and all(same(one[key], other[key]) for key in one)
    if isinstance(one, (list, tuple)):
        return len(one) == len(other) and all(same(a, b) for a, b in zip(one, other, strict=True))
    return one == other


@pytest.mark.parametrize("segment", [False, True])
@pytest.mark.parametrize("scale", [False, True])
@pytest.mark.parametrize("seed", range(5))
def test_a_reading_survives_the_way_out_and_back(make_reading, seed, segment, scale):
    reading = make_reading(seed, segment=segment, scale=scale)
    text = reading_text(reading)
    again = parse_reading(text)
    assert same(reading, again)
    assert reading_text(again) == text


def test_the_contracts_names_are_there(make_reading):
    document = reading_to_json(make_reading())
    assert document.keys() >= CONTRACT_TOP
    assert document["schema"] == "qca.reading/1"
    assert document["software"] == {"version": qca.__version__, "algorithm_version": qca.ALGORITHM_VERSION}
    assert document["caution"] == qca.CAUTION
    assert document["frame"].keys() >= {"file", "sha256", "index", "rows", "columns"}
    assert document["scale"].keys() == {"mm_per_px", "sd_mm_per_px", "source", "detail"}
    assert document["angles_deg"].keys() == {"A", "B", "C", "sd_A", "sd_B", "sd_C"}
    assert document["medina"].keys() >= {"code", "threshold_percent"}
    for flag in document["flags"]:
        assert flag.keys() == {"code", "where", "message", "untrusted"}
    assert list(document["limbs"]) == ["proximal", "distal", "side"]
    for limb in document["limbs"].values():
        assert limb.keys() >= CONTRACT_LIMB
        assert limb["profile"].keys() >= CONTRACT_PROFILE


def test_every_mm_has_a_px_twin(make_reading):
    limb = reading_to_json(make_reading())["limbs"]["side"]
    for names in (limb, limb["profile"]):
        assert {name.removesuffix("_mm") for name in names if name.endswith("_mm")} <= {
            name.removesuffix("_px") for name in names if name.endswith("_px")
        }


def test_without_a_scale_every_mm_is_null(make_reading):
    document = reading_to_json(make_reading(scale=False, unknown=0.0))
    assert document["scale"] is None
    for limb in document["limbs"].values():
        for name, value in limb.items():
            if name.endswith("_mm"):
                assert value is None, name
            if name.endswith("_px"):
                assert value is not None, name
        assert set(limb["profile"]["diameter_mm"]) == {None}


def test_unknown_numbers_are_null_and_the_text_is_strict_json(make_reading):
    text = reading_text(make_reading(unknown=1.0))
    assert "NaN" not in text
    assert "Infinity" not in text
    document = parse_json(text, name="text")
    assert document["limbs"]["side"]["mld_mm"] is None


def test_infinity_is_unknown_too(make_reading):
    reading = make_reading()
    limb = dataclasses.replace(reading.limbs["side"], mld_sd_mm=math.inf)
    reading = dataclasses.replace(reading, limbs={**reading.limbs, "side": limb})
    assert reading_to_json(reading)["limbs"]["side"]["mld_sd_mm"] is None


def test_arrays_are_read_only(make_reading):
    profile = parse_reading(reading_text(make_reading())).limbs["distal"].profile
    for field in dataclasses.fields(profile):
        value = getattr(profile, field.name)
        if isinstance(value, np.ndarray):
            assert not value.flags.writeable
            assert value.dtype == np.float64
    assert profile.left_px.shape == (len(profile.position_px), 2)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_float_keeps_its_last_bit(value):
    assert parse_json(json.dumps({"x": value}), name="t")["x"] == value


BROKEN = {
    "a text for a number": (("limbs", "side", "mld_mm"), "3,1", r"limbs\.side\.mld_mm must be a number.*'3,1'"),
    "true for a number": (("limbs", "side", "mld_mm"), True, r"limbs\.side\.mld_mm must be a number"),
    "an unknown key": (("limbs", "side", "mld_cm"), 0.3, r"unknown key 'mld_cm' in limbs\.side; did you mean 'mld_"),
    "a limb too many": (("limbs", "marginal"), None, r"limbs\.marginal must be an object"),
    "no frame": (("frame",), None, r"frame must be an object"),
    "a frame of no kind": (("frame", "index"), 1.5, r"frame\.index must be a whole number, not 1\.5"),
    "a scale of zero": (("scale", "mm_per_px"), 0, r"scale\.mm_per_px must be at least 1e-06 and .*, not 0"),
    "a point of three": (("carina_px",), [1, 2, 3], r"carina_px must be a list of 2"),
    "a wall of numbers": (("limbs", "side", "profile", "left_px"), [1, 2], r"left_px\[0\] must be a point"),
    "a short profile": (("limbs", "side", "profile", "x_px"), [], r"limbs\.side\.profile\.x_px has 0 values for"),
    "another schema": (("schema",), "qca.reading/2", r"'qca\.reading/2'; this program reads 'qca\.reading/1'"),
    "a bad pick": (("picks", "french"), -6, r"french is -6"),
    "a bad setting": (("settings", "medina_threshold_percent"), "fifty", r"must be a number"),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_reading_is_refused_in_one_sentence(make_reading, case):
    path, value, message = BROKEN[case]
    document = copy.deepcopy(reading_to_json(make_reading()))
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(InputError, match=message) as caught:
        reading_from_json(document, name="r.json")
    assert "\n" not in str(caught.value)


def test_a_missing_field_is_named(make_reading):
    document = reading_to_json(make_reading())
    del document["limbs"]["distal"]["reference_mm"]
    with pytest.raises(InputError, match=r"limbs\.distal\.reference_mm is missing"):
        reading_from_json(document)


def test_a_missing_limb_is_refused(make_reading):
    document = reading_to_json(make_reading())
    del document["limbs"]["side"]
    with pytest.raises(InputError, match="limbs must be proximal, distal and side"):
        reading_from_json(document)


@pytest.mark.parametrize("document", [None, [], "reading", {}, {"limbs": {}}])
def test_something_else_is_not_a_reading(document):
    with pytest.raises(InputError, match="is not a reading"):
        reading_from_json(document, name="x")


def test_another_versions_reading_says_so(make_reading):
    document = reading_to_json(make_reading())
    document["software"]["version"] = "9.9.9"
    document["novelty"] = 1
    with pytest.raises(InputError, match=r"novelty.*written by version 9\.9\.9; this is"):
        reading_from_json(document)


def test_a_reading_from_a_file(make_reading, tmp_path):
    reading = make_reading()
    (tmp_path / "reading.json").write_text(reading_text(reading), encoding="utf-8")
    assert same(read_reading(tmp_path / "reading.json"), reading)


@pytest.mark.parametrize("segment", [False, True])
def test_the_schema_takes_what_is_written(make_reading, segment):
    # JSON Schema draft 2020-12, checked with the reference library jsonschema
    schema = reading_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(reading_to_json(make_reading(segment=segment)), schema, jsonschema.Draft202012Validator)


@pytest.mark.parametrize("case", [name for name in BROKEN if name not in ("a short profile", "a bad pick")])
def test_the_schema_refuses_what_is_broken(make_reading, case):
    path, value, _ = BROKEN[case]
    document = copy.deepcopy(reading_to_json(make_reading()))
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, reading_schema(), jsonschema.Draft202012Validator)


def test_what_is_of_no_known_kind_is_not_written():
    from qca.codec import encode

    with pytest.raises(TypeError, match="set"):
        encode({"a": {1, 2}})
