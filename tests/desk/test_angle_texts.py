"""The angles' texts keep off what is drawn, off each other, and inside the frame."""

import numpy as np
import pytest

from ui.desk.angle_texts import AngleText, places

TEXTS = (AngleText("A 129 ± 2°", (-0.6, -0.8), 1.0), AngleText("B 62 ± 2°", (0.9, -0.44), 0.5),
         AngleText("C 169 ± 2°", (0.0, 1.0), 1.0))  # fmt: skip
SIZE = (512, 512)
NOTHING = np.zeros((0, 2))


def box(text, at, zoom):
    """Left, top, right, bottom of a text that napari writes at a point: up and to the right of it; screen px."""
    left, bottom = (at[0] + 2.0) * zoom, (at[1] - 1.5) * zoom
    return left, bottom - 18.0, left + 10.8 * len(text), bottom


def within(place, box_, margin=0.0):
    left, top, right, bottom = box_
    return left - margin < place[0] < right + margin and top - margin < place[1] < bottom + margin


def test_without_anything_in_the_way_a_text_stands_where_it_belongs():
    (at,) = places(TEXTS[:1], (250.0, 250.0), 20.0, NOTHING, 2.0, SIZE)
    left, top, right, bottom = box(TEXTS[0].text, at, 2.0)
    middle = ((left + right) / 4, (top + bottom) / 4)
    assert middle == pytest.approx((250 - 0.6 * 20, 250 - 0.8 * 20))


@pytest.mark.parametrize("zoom", [1.0, 1.7, 3.3, 8.0])
def test_walls_and_handles_stay_uncovered(zoom):
    along = np.linspace(0, 90, 60)
    rays = [np.outer(along, direction) for direction in ((-1.0, 0.1), (0.7, -0.7), (0.95, 0.3))]
    walls = [250.0 + ray + np.array(offset) for ray in rays for offset in ((0.0, -6.0), (0.0, 6.0))]
    things = np.concatenate(walls)
    boxes = [
        box(one.text, at, zoom)
        for one, at in zip(TEXTS, places(TEXTS, (250.0, 250.0), 15.0, things, zoom, SIZE), strict=True)
    ]
    for one in boxes:
        assert not any(within(place * zoom, one, margin=6.0) for place in things)
    for k, one in enumerate(boxes):
        for other in boxes[k + 1 :]:
            assert one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]


def test_texts_stay_inside_the_frame():
    for at, one in zip(places(TEXTS, (30.0, 20.0), 15.0, NOTHING, 3.0, SIZE), TEXTS, strict=True):
        left, top, _, _ = box(one.text, at, 3.0)
        assert left >= 0
        assert top >= 0
