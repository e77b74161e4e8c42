"""Picks as JSON: what --picks takes."""

from __future__ import annotations

import json
import math

import pytest

from qca.document import reading_text
from qca.errors import InputError, PicksError
from qca.picks import Edit, Picks
from qca.picks_file import (
    check_complete,
    check_picks,
    override,
    picks_from_json,
    picks_to_json,
    read_picks,
    write_picks,
)

CATHETER = [[10, 5], [60, 30]]
FULL = Picks(
    frame=3,
    proximal=(1.5, 2.0),
    distal=(3.0, 4.0),
    side=(5.0, 6.0),
    catheter=((10.0, 5.0), (60.0, 30.0)),
    catheter_mm=1.8,
    catheter_feature="filled_lumen",
    edits=(Edit("exclude", "side", span_px=(3.0, 9.5)),),
)


def test_picks_survive_a_file(tmp_path):
    write_picks(tmp_path / "p.json", FULL)
    assert read_picks(tmp_path / "p.json") == FULL


def test_the_file_names_only_what_was_given(tmp_path):
    write_picks(tmp_path / "p.json", Picks(start=(1.0, 2.0), end=(3.0, 4.0)))
    assert json.loads((tmp_path / "p.json").read_text()) == {
        "schema": "qca.picks/1",
        "start": [1.0, 2.0],
        "end": [3.0, 4.0],
    }


def test_every_field_is_in_the_long_form():
    assert list(picks_to_json(FULL)) == list(Picks.__dataclass_fields__)


def test_a_readings_picks_are_taken(make_reading, tmp_path):
    reading = make_reading()
    (tmp_path / "reading.json").write_text(reading_text(reading), encoding="utf-8")
    assert read_picks(tmp_path / "reading.json") == reading.picks


@pytest.mark.parametrize(
    ("document", "message"),
    [
        ([], "must be an object with keys"),
        ({"schema": "qca.pick/1"}, r"is 'qca\.pick/1', not 'qca\.picks/1'"),
        ({"frme": 3}, "unknown key 'frme'; did you mean 'frame'"),
        ({"frame": 1.5}, r"frame must be a whole number, not 1\.5"),
        ({"frame": True}, "frame must be a whole number"),
        ({"proximal": [1]}, r"proximal must be a list of 2, not \[1\]"),
        ({"proximal": "1,2"}, "proximal must be a list"),
        ({"proximal": [None, 3]}, "proximal is nan: give a finite number"),
        ({"catheter": [[1, 2]]}, "catheter must be a list of 2"),
        ({"french": "6"}, "french must be a number, or null where it is unknown, not '6'"),
        ({"scale": "guess"}, "scale must be one of 'header', not 'guess'"),
        ({"edits": [{"kind": "walls", "limb": "side"}]}, r"edits\[0\]\.kind must be one of 'wall'"),
        ({"edits": [{"kind": "wall"}]}, r"edits\[0\]\.limb is missing"),
    ],
)
def test_a_bad_file_is_refused_in_one_sentence(document, message):
    with pytest.raises((InputError, PicksError), match=message) as caught:
        picks_from_json(document, name="p.json")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"french": 0, "catheter": CATHETER}, "french is 0: give a size above 0"),
        ({"french": -6, "catheter": CATHETER}, "french is -6"),
        ({"catheter_mm": 0, "catheter": CATHETER}, "catheter_mm is 0"),
        ({"mm_per_px": -0.2}, r"mm_per_px is -0\.2"),
        ({"mm_per_px": math.nan}, "mm_per_px is nan: give a finite number"),
        ({"mm_per_px": math.inf}, "mm_per_px is inf: give a finite number"),
        ({"mm_per_px": 0.2, "mm_per_px_sd": -0.1}, "cannot be negative"),
        ({"mm_per_px": 5.0}, "a scale of 5 mm per px is outside 0.01 to 2: check it, and that it is not px per mm"),
        ({"mm_per_px": 1e-9}, "a scale of 1e-09 mm per px is outside"),
        (
            {"mm_per_px": 0.2, "mm_per_px_sd": 2.0},
            "an uncertainty of 2 mm per px does not fit a scale of 0.2 mm per px",
        ),
        ({"mm_per_px_sd": 0.1}, "without mm_per_px"),
        ({"frame": -1}, "frames are counted from 0"),
        ({"side": (math.nan, 3.0)}, "side is nan"),
        ({"edits": (Edit("reference", "side", value_px=math.nan),)}, r"edits\.value_px is nan"),
        ({"french": 6, "catheter_mm": 2, "catheter": CATHETER}, "Both french .6. and catheter_mm .2."),
        ({"french": 6, "mm_per_px": 0.2, "catheter": CATHETER}, "2 ways .a catheter, mm_per_px."),
        ({"scale": "header", "mm_per_px": 0.2}, "2 ways .mm_per_px, the header's scale."),
        ({"french": 6}, "without the two points"),
        ({"french": 6, "catheter": CATHETER, "catheter_feature": "filled_lumen"}, "is an outer size"),
        ({"start": (1.0, 2.0), "side": (3.0, 4.0)}, "keep one"),
    ],
)
def test_contradictions_are_refused(given, message):
    with pytest.raises(PicksError, match=message):
        check_picks(Picks(**given))


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({}, "lack proximal and distal and side"),
        ({"proximal": (1.0, 2.0), "side": (1.0, 3.0)}, "lack distal: give proximal, distal, side"),
        ({"start": (1.0, 2.0)}, "lack end"),
        ({"start": (1.0, 2.0), "end": (9.0, 9.0), "catheter": CATHETER}, "catheter's size is missing"),
    ],
)
def test_gaps_are_named(given, message):
    with pytest.raises(PicksError, match=message):
        check_complete(Picks(**given))


def test_options_win_over_the_file():
    chosen = override(FULL, {"frame": 7, "side": (50.0, 60.0), "distal": None})
    assert (chosen.frame, chosen.side, chosen.distal) == (7, (50.0, 60.0), FULL.distal)
    assert chosen.edits == FULL.edits


@pytest.mark.parametrize(
    ("given", "gone"),
    [
        ({"mm_per_px": 0.2}, ("catheter", "french", "catheter_mm", "scale")),
        ({"scale": "header"}, ("catheter", "french", "catheter_mm", "mm_per_px")),
        ({"start": (1.0, 1.0)}, ("proximal", "distal", "side")),
    ],
)
def test_another_way_drops_the_files_way(given, gone):
    chosen = override(FULL, given)
    assert all(getattr(chosen, key) is None for key in gone)
    assert chosen.catheter_feature == ("outer_wall" if "start" not in given else FULL.catheter_feature)
    check_picks(chosen)


def test_a_size_replaces_the_other_kind_of_size():
    assert override(FULL, {"french": 6.0}).catheter_mm is None
    assert override(Picks(catheter=FULL.catheter, french=6.0), {"catheter_mm": 1.9}).french is None
    assert override(Picks(mm_per_px=0.2, mm_per_px_sd=0.01), {"mm_per_px": 0.3}).mm_per_px_sd is None
