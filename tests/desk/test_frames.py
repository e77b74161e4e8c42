"""Frames as napari looks at them: lazy, few in memory. No window."""

import threading
import time

import numpy as np
import pytest

from qca.errors import InputError
from qca.frames.source import FrameSource
from ui.desk.frame_panel import view_in_words
from ui.desk.lazy_frames import AHEAD, KEPT, LazyFrames
from ui.desk.run_scan import RunScan


class Source:
    """Twenty frames, each filled with its number; frame 13 is damaged."""

    def __init__(self):
        self.decoded = []
        self.lock = threading.Lock()

    @property
    def record(self):
        from types import SimpleNamespace

        return SimpleNamespace(count=20, rows=8, columns=10, dtype="uint16", r_wave_frames=())

    count = 20

    def pixels(self, index):
        with self.lock:
            self.decoded.append(index)
        if index == 13:
            msg = "frame 13 is damaged: copy the file again."
            raise InputError(msg)
        return np.full((8, 10), index, np.uint16)


@pytest.fixture
def frames():
    trouble = []
    made = LazyFrames(Source(), trouble.append)
    made.trouble = trouble
    yield made
    made.close()


def until(condition):
    """Wait for what another thread does; tells whether it happened."""
    end = time.monotonic() + 30
    while not condition() and time.monotonic() < end:
        time.sleep(0.002)
    return condition()


def test_it_is_an_array_for_napari(frames):
    assert (frames.shape, frames.dtype, frames.ndim, len(frames)) == ((20, 8, 10), np.uint16, 3, 20)
    assert frames[3].shape == (8, 10)
    assert frames[np.int64(4), 2:5, :].shape == (3, 10)
    assert frames[5:8, :, 1].tolist() == [[5] * 8, [6] * 8, [7] * 8]
    assert frames[(slice(2, 3), slice(None), slice(None))].shape == (1, 8, 10)
    with pytest.raises(TypeError, match="number or a slice"):
        frames["x"]


def test_only_what_is_looked_at_is_decoded_and_a_little_ahead(frames):
    frames[4]
    assert until(lambda: sorted(frames.source.decoded) == [4, *range(5, 5 + AHEAD)])
    assert until(lambda: 5 in frames._kept)
    frames[5]
    assert until(lambda: 5 + AHEAD in frames.source.decoded)
    assert frames.source.decoded.count(5) == 1  # it was fetched ahead


def test_ahead_is_backwards_when_going_backwards(frames):
    frames[10]
    frames[9]
    assert until(lambda: set(frames.source.decoded) >= {8, 7, 6})


def test_few_frames_stay_in_memory(frames):
    for index in range(12):
        frames[index]
        assert len(frames._kept) <= KEPT
    assert until(lambda: 11 + AHEAD in frames.source.decoded)
    assert len(frames._kept) <= KEPT


def test_a_damaged_frame_is_said_and_shown_empty(frames):
    assert frames[13].max() == 0
    assert frames.trouble == ["frame 13 is damaged: copy the file again."]
    assert frames[14].max() == 14


def test_closing_ends_the_thread():
    frames = LazyFrames(Source(), lambda text: None)
    frames[0]
    thread = frames._thread
    frames.close()
    thread.join(30)
    assert not thread.is_alive()


def test_the_shipped_run_frame_by_frame():
    from pathlib import Path

    source = FrameSource(Path(__file__).parent.parent.parent / "sample_images" / "filling_run.dcm")
    frames = LazyFrames(source, lambda text: None)
    for index in (0, 7, 11):
        np.testing.assert_array_equal(frames[index], source.pixels(index))
    marks = []
    scan = RunScan(source, marks.append)
    scan.join(20)
    assert len(marks[0].filling) == source.count
    assert marks[0].suggested in source.record.r_wave_frames
    frames.close()


def test_a_closed_scan_delivers_nothing():
    delivered = []
    scan = RunScan(Source(), delivered.append)
    scan.close()
    scan.join(5)
    time.sleep(0.05)
    assert delivered == []


def test_the_view_in_the_trade_s_words():
    from qca.frames.frame import HeaderGeometry

    # DICOM PS3.3 C.8.7.5.1.2: positive primary angle is LAO, positive secondary angle cranial
    assert (
        view_in_words(HeaderGeometry(primary_angle_deg=30.0, secondary_angle_deg=-20.4)) == "View: LAO 30°, caudal 20°"
    )
    assert view_in_words(HeaderGeometry(primary_angle_deg=-12.0)) == "View: RAO 12°"
    assert view_in_words(HeaderGeometry()) == ""
