"""The frame chooser on a synthetic run whose filling and rest are known."""

import numpy as np
import pytest

from qca.cine.filling import MINIATURE_PX, miniature, run_marks, thin_structures

COUNT, BEAT, REST = 24, 12, 6


def run(*, sign=-1.0, seed=3):
    """A dark line that fills up over eight frames and swings with the beat; at rest around
    frames 6 and 18, and for a moment where the contraction turns, at frame 12."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[0:128, 0:160]
    background = 2000 + 4.0 * columns + 60 * np.sin(rows / 40)
    frames = []
    for k in range(COUNT):
        swing = 9 * ((1 - np.cos(2 * np.pi * (k - REST) / BEAT)) / 2) ** 3
        line = np.exp(-0.5 * ((columns - 60 - 0.2 * rows - swing) / 1.6) ** 2)
        depth = 500 * np.clip(k / 8, 0, 1)
        frames.append((background + sign * depth * line + rng.normal(0, 12, rows.shape)).astype(np.float32))
    return frames


def test_filling_follows_the_contrast():
    marks = run_marks(run())
    assert marks.filling[0] < 0.1
    assert marks.filling[8:].min() > 0.8
    assert (np.diff(marks.filling[:8]) > 0).all()


def test_motion_is_least_at_rest():
    marks = run_marks(run())
    late = np.arange(10, COUNT - 1)
    assert late[np.argmin(marks.motion[late])] in (17, 18, 19)
    assert marks.motion[14:16].max() > marks.motion[18] + 0.5


def test_the_suggested_frame_is_filled_and_at_rest():
    marks = run_marks(run())
    assert abs(marks.suggested - 18) <= 1
    assert "no ECG" in marks.reason


def test_an_r_peak_on_a_filled_frame_decides():
    marks = run_marks(run(), r_wave_frames=(2, 14, 40))
    assert marks.suggested == 14  # frame 2 is not filled, frame 40 does not exist
    assert "R peak" in marks.reason
    assert abs(run_marks(run(), r_wave_frames=(2,)).suggested - 18) <= 1


def test_bright_vessels_are_found_as_well():
    marks = run_marks(run(sign=1.0))
    assert marks.filling[0] < 0.1
    assert marks.filling[9:].min() > 0.8


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_frames_get_no_suggestion(count):
    assert run_marks(run()[:count]).suggested is None


def test_a_run_without_any_change_gets_no_suggestion():
    marks = run_marks([np.full((40, 40), 7.0, np.float32)] * 5)
    assert marks.suggested is None
    assert np.isfinite(marks.filling).all()


def test_miniatures_keep_shape_and_mean():
    image = np.arange(600 * 400, dtype=np.uint16).reshape(600, 400)
    small = miniature(image)
    assert small.shape == (MINIATURE_PX, MINIATURE_PX * 400 // 600)
    assert small.mean() == pytest.approx(image.mean(), rel=1e-3)
    tiny = np.ones((10, 12), np.uint8)
    assert miniature(tiny).shape == (10, 12)


def test_thin_structures_leave_out_what_is_wide():
    image = np.full((160, 160), 100, np.float32)
    image[:, 20:60] = 40  # wide
    image[:, 100:104] = 40  # thin
    dark, bright = thin_structures(image)
    assert dark[80, 40] == 0
    assert dark[80, 102] == 60
    assert bright[80, 20:60].max() == 0
