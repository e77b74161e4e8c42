"""Labels of the figures lie on no line of theirs and on no other label."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from qca.report.angle_figure import angle_figure
from qca.report.diameter_axes import Axes
from qca.report.diameter_figure import diameter_figure

LETTER, BOLD_LETTER, CAPITAL = 7.2, 8.3, 9.0
"""Mean widths and height of letters of 13 units in the figures' widest font."""


def turned(reading, degrees):
    """The reading as a frame turned about the branching point shows it."""
    turn = complex(math.cos(math.radians(degrees)), math.sin(math.radians(degrees)))
    middle = complex(*reading.branching_point_px)
    limbs = {}
    for name, limb in reading.limbs.items():
        points = middle + (limb.profile.x_px + 1j * limb.profile.y_px - middle) * turn
        limbs[name] = dataclasses.replace(
            limb, profile=dataclasses.replace(limb.profile, x_px=points.real, y_px=points.imag)
        )
    return dataclasses.replace(reading, limbs=limbs)


def box(text):
    width = (BOLD_LETTER if text.attrs.get("font-weight") else LETTER) * len(text.text)
    x, y = float(text.attrs["x"]), float(text.attrs["y"])
    left = x - {"start": 0.0, "middle": width / 2, "end": width}[text.attrs.get("text-anchor", "start")]
    return left, y - CAPITAL, left + width, y


@pytest.mark.parametrize("degrees", range(0, 360, 15))
def test_labels_of_angles_lie_on_no_limb_and_on_no_other_text(page_of, bifurcation, degrees):
    page = page_of(angle_figure(turned(bifurcation.reading, degrees)))
    (drawing,) = page.all("svg")
    width = float(drawing.attrs["width"])
    boxes = {text.text: box(text) for text in page.all("text")}
    assert len(boxes) == 6
    for text, (x0, y0, x1, y1) in boxes.items():
        assert x0 >= 0
        assert x1 <= width
        for line in page.all("line"):
            ends = (float(line.attrs[key]) for key in ("x1", "x2", "y1", "y2"))
            x_from, x_to, y_from, y_to = ends
            along = np.linspace(0.0, 1.0, 200)
            x, y = x_from + along * (x_to - x_from), y_from + along * (y_to - y_from)
            assert not np.any((x > x0) & (x < x1) & (y > y0) & (y < y1)), (text, line.attrs["data-of"])
        for other, (a0, b0, a1, b1) in boxes.items():
            assert other == text or not (x0 < a1 and a0 < x1 and y0 < b1 and b0 < y1), (text, other)


@pytest.mark.parametrize("last", [20.0, 30.0, 60.0])
@pytest.mark.parametrize("name", ["proximal", "distal", "side"])
def test_the_label_of_the_mld_crosses_no_limit_of_the_lesion(page_of, bifurcation, name, last):
    axes = Axes(0.0, last, 4.0, "mm")
    page = page_of(diameter_figure(bifurcation.reading, name, axes, ()))
    limb = bifurcation.reading.limbs[name]
    (label,) = (text for text in page.all("text") if text.text.startswith("MLD"))
    left, _, right, _ = box(label)
    for limit in (limb.lesion_start_mm, limb.lesion_end_mm):
        assert not left < float(axes.x(limit)) < right


def test_what_stands_under_a_swatch_of_the_comparison_is_broken_between_numbers_only():
    from qca.change.comparison import compare
    from qca.change.page import comparison_page
    from tests.sizing.invented_reading import reading

    page = comparison_page(compare(reading(), reading(index=1)))
    assert page.count('<span class="number">DS ') == 6
    assert page.count('<span class="number">RVD ') == 6
