import dataclasses
import io

import numpy as np
import pytest

from qca.report.crop import crop_around
from qca.report.scene import dashes, to_canvas


def read(png):
    from PIL import Image

    with Image.open(io.BytesIO(png)) as image:
        return np.asarray(image), dict(image.info)


def test_crop_holds_the_points_and_their_margin(bifurcation):
    points = np.array([[100.0, 60.0], [150.0, 90.0], [np.nan, 3.0]])
    crop = crop_around(bifurcation.frame, points, margin_px=10, shape=(0.5, 2.0))
    assert crop.left <= 90
    assert crop.left + crop.columns - 1 >= 160
    assert crop.top <= 50
    assert crop.top + crop.rows - 1 >= 100


def test_crop_stays_in_the_frame_and_within_its_shape(bifurcation):
    frame = bifurcation.frame
    crop = crop_around(frame, np.array([[2.0, 2.0], [290.0, 3.0]]), margin_px=20, shape=(0.5, 2.0))
    assert (crop.left, crop.top) == (0, 0)
    assert crop.columns == frame.columns
    assert 0.49 <= crop.rows / crop.columns <= 0.51


def test_crop_shows_the_pixels_of_its_own_place(bifurcation):
    # one bright pixel in an uneven place: row and column must not be exchanged
    pixels = np.zeros(bifurcation.frame.pixels.shape)
    pixels[70, 201] = 1000.0
    frame = dataclasses.replace(bifurcation.frame, pixels=pixels)
    crop = crop_around(frame, np.array([[190.0, 65.0], [210.0, 75.0]]), margin_px=2, shape=(0.4, 2.5))
    row, column = np.unravel_index(np.argmax(crop.grey), crop.grey.shape)
    assert (column + crop.left, row + crop.top) == (201, 70)


def test_covered_part_is_shown_as_one_grey(bifurcation):
    crop = crop_around(bifurcation.frame, np.array([[0.0, 0.0], [40.0, 40.0]]), margin_px=0, shape=(0.5, 2.0))
    assert set(np.unique(crop.grey[:, :6])) == {214}


@pytest.mark.parametrize("value", [np.nan, np.inf, 7.0])
def test_flat_and_unknown_pixels_still_give_a_picture(bifurcation, value):
    frame = dataclasses.replace(bifurcation.frame, pixels=np.full((256, 300), value))
    crop = crop_around(frame, np.array([[10.0, 10.0], [80.0, 80.0]]), margin_px=4, shape=(0.5, 2.0))
    shown, _ = read(crop.png())
    assert shown.shape == crop.grey.shape


def test_no_known_point_shows_the_whole_frame(bifurcation):
    crop = crop_around(bifurcation.frame, np.full((3, 2), np.nan), margin_px=4, shape=(0.5, 2.0))
    assert (crop.rows, crop.columns) == (256, 300)


def test_png_is_lossless_and_says_nothing_else(bifurcation):
    crop = crop_around(bifurcation.frame, np.array([[50.0, 50.0], [120.0, 90.0]]), margin_px=4, shape=(0.5, 2.0))
    shown, info = read(crop.png())
    assert np.array_equal(shown, crop.grey)
    assert info == {}


def test_a_pixel_centre_lands_in_the_middle_of_its_drawn_pixel(bifurcation):
    crop = crop_around(bifurcation.frame, np.array([[50.0, 50.0], [120.0, 90.0]]), margin_px=4, shape=(0.5, 2.0))
    first = np.array([[crop.left, crop.top]], dtype=float)
    assert to_canvas(first, crop, 8.0)[0] == pytest.approx([4.0, 4.0])
    last = np.array([[crop.left + crop.columns - 1, crop.top + crop.rows - 1]], dtype=float)
    assert to_canvas(last, crop, 8.0)[0] == pytest.approx([crop.columns * 8 - 4, crop.rows * 8 - 4])


def test_tall_pixels_are_drawn_tall(bifurcation):
    frame = dataclasses.replace(bifurcation.frame, pixel_aspect=1.2)
    crop = crop_around(frame, np.array([[50.0, 50.0], [120.0, 90.0]]), margin_px=4, shape=(0.5, 2.0))
    first = np.array([[crop.left, crop.top + 10]], dtype=float)
    assert to_canvas(first, crop, 5.0)[0] == pytest.approx([2.5, 10.5 * 5 * 1.2])


def test_dashes_follow_the_line():
    strokes = dashes(np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0]]), (3.0, 2.0))
    assert [stroke.tolist() for stroke in strokes] == [
        [[0, 0], [3, 0]],
        [[4, 1], [4, 4]],
    ]
    whole = np.array([[0.0, 0.0], [4.0, 0.0]])
    assert dashes(whole, ())[0] is whole
