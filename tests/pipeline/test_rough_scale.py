"""The scale that is known before the vessels are measured, by which guide wires are told."""

from pathlib import Path

import pytest

from qca.frames.source import open_frame
from qca.picks import Picks
from qca.picks_file import read_picks
from qca.pipeline import measure
from qca.scaling import rough_mm_per_px

SAMPLES = Path(__file__).parents[2] / "sample_images"


def test_the_header_tells_it_where_it_is_the_source():
    frame, picks = open_frame(SAMPLES / "header_scale.dcm"), read_picks(SAMPLES / "header_scale.picks.json")
    assert picks.scale == "header"
    reading = measure(frame, picks)
    assert rough_mm_per_px(frame, picks, None) == pytest.approx(reading.scale.mm_per_px)


def test_a_typed_scale_tells_it_and_no_source_tells_nothing():
    frame = open_frame(SAMPLES / "header_scale.dcm")
    assert rough_mm_per_px(frame, Picks(mm_per_px=0.17), None) == 0.17
    assert rough_mm_per_px(frame, Picks(), None) is None
