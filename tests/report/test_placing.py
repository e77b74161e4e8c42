import math
from pathlib import Path

import numpy as np
import pytest

from qca.report.placing import Wish, leader, place
from qca.report.scene import text_width


def boxes_apart(one, other):
    return (
        one.x + one.width <= other.x
        or other.x + other.width <= one.x
        or one.y + one.height <= other.y
        or other.y + other.height <= one.y
    )


@pytest.mark.parametrize("spread", [0.0, 3.0, 40.0])
def test_tags_keep_off_each_other_and_inside(spread):
    wishes = [
        Wish(("Side: MLD 1.17 ± 0.06 mm", "reference 2.41 mm"), "#000000", (200 + k * spread, 150.0), str(k))
        for k in range(3)
    ]
    tags = place(wishes, np.empty((0, 2)), 600.0, 400.0)
    assert all(boxes_apart(tags[i], tags[j]) for i in range(3) for j in range(i))
    for tag in tags:
        assert 0 <= tag.x <= tag.x + tag.width <= 600
        assert 0 <= tag.y <= tag.y + tag.height <= 400


def test_tag_keeps_off_the_vessel():
    x = np.arange(0.0, 600.0, 2.0)
    vessel = np.concatenate([np.column_stack([x, np.full(x.shape, 200.0 + k)]) for k in (-8, 8)])
    (tag,) = place([Wish(("Distal", "reference"), "#000000", (300.0, 200.0), "distal")], vessel, 600.0, 400.0)
    assert tag.y + tag.height < 192 or tag.y > 208


def test_leader_stops_before_what_it_names():
    (tag,) = place([Wish(("Distal",), "#000000", (300.0, 200.0), "distal", 12.0)], np.empty((0, 2)), 600.0, 400.0)
    line = leader(tag)
    if line is not None:
        assert math.dist(line[0], tag.anchor) == pytest.approx(12.0)


def test_same_wishes_same_places():
    wishes = [Wish(("Side",), "#000000", (100.0, 90.0), "side"), Wish(("Distal",), "#000000", (110.0, 90.0), "distal")]
    rim = np.random.default_rng(3).uniform(0, 300, size=(200, 2))
    assert place(wishes, rim, 300.0, 200.0) == place(wishes, rim, 300.0, 200.0)


def test_text_fits_its_box_in_the_widest_common_font():
    """DejaVu Sans, the fallback of Linux browsers without Helvetica's relatives; its files come with matplotlib."""
    import matplotlib as mpl
    from PIL import ImageFont

    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    fonts = {bold: ImageFont.truetype(folder / f"DejaVuSans{'-Bold' * bold}.ttf", 130) for bold in (False, True)}
    firsts = (
        "Proximal: MLD 1.45 ± 0.04 mm",
        "Side: MLD 0.89 ± 0.05 mm",
        "Segment: MLD 18.01 ± 0.15 px",
        "Catheter 6 F",
    )
    others = ("reference 3.76 mm, DS 61.4 %", "not reliable: F1, F2, F3", "edited by hand")
    for bold, lines in ((True, firsts), (False, others)):
        for line in lines:
            assert fonts[bold].getlength(line) / 10 < text_width(line, bold=bold), line
