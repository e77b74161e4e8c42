"""Where a frame's grey scale ends: at the file's range, or where many pixels pile up."""

import numpy as np
import pytest

from qca.frames.frame import Frame
from qca.grey_ends import cut_off, grey_ends


def frame_of(pixels, bits=12):
    pixels = np.ascontiguousarray(pixels, dtype=float)
    return Frame(pixels, np.ones(pixels.shape, dtype=bool), "drawn", "0" * 64, grey_range=(0.0, 2.0**bits - 1))


@pytest.fixture(scope="module")
def picture():
    """A dark disc on an even background, in noise, 12 bits."""
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:200, :200]
    return np.round(np.where(np.hypot(y - 100, x - 100) < 25, 1500.0, 2500.0) + rng.normal(0, 40, (200, 200)))


def test_a_whole_scale_ends_with_the_file(picture):
    frame = frame_of(picture)
    assert grey_ends(frame, dark=True)[:2] == (0.0, 4095.0)
    assert grey_ends(frame, dark=False)[:2] == (-4095.0, 0.0)
    assert not cut_off(frame)


@pytest.mark.parametrize("level", [1460.0, 1500.0, 1540.0])
def test_a_cut_at_the_dark_end(picture, level):
    """Some, half or most of the disc is cut off."""
    frame = frame_of(np.maximum(picture, level))
    assert grey_ends(frame, dark=True)[:2] == (level, 4095.0)
    assert grey_ends(frame, dark=False) == (-4095.0, -level, True)
    assert cut_off(frame)


def test_a_cut_at_the_bright_end(picture):
    frame = frame_of(np.minimum(picture, 2540.0))
    assert grey_ends(frame, dark=True) == (0.0, 2540.0, True)


def test_a_range_that_pixels_leave_is_no_end(picture):
    """Real numbers of another scale, as a program may hand over that kept the range of the file."""
    frame = frame_of(0.01 * picture - 16.0)
    assert grey_ends(frame, dark=True)[:2] == (-np.inf, 4095.0)
    assert not cut_off(frame)


def test_few_grey_levels_are_no_cut(picture):
    """Only every eighth level is used, as after stretching a window: the outermost one is no pile."""
    frame = frame_of(8 * np.round(picture / 8))
    assert grey_ends(frame, dark=True)[:2] == (0.0, 4095.0)


def test_an_even_background_without_noise_is_no_cut():
    pixels = np.full((200, 200), 255.0)
    pixels[80:120] = 100.0
    assert grey_ends(frame_of(pixels, bits=8), dark=True) == (0.0, 255.0, False)
