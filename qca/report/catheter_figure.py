"""The traced catheter on the frame, as SVG."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from qca.report.crop import crop_around
from qca.report.frame_scene import catheter_lines
from qca.report.palette import CATHETER
from qca.report.placing import Wish, place
from qca.report.plain import plain_value
from qca.report.scene import Scene, to_canvas
from qca.report.scene_svg import scene_svg

if TYPE_CHECKING:
    from qca.frames.frame import Frame
    from qca.picks import Picks
    from qca.reading import Reading

_MARGIN_PX = 16.0
_SHAPE = (1.0, 1.5)
_LARGEST = (380.0, 320.0)
_DEEPEST_ZOOM = 9.0


def catheter_figure(reading: Reading, frame: Frame) -> str:
    """Draw the walls of the catheter that the scale rests on; ``""`` when none was traced."""
    left, right = reading.catheter_left_px, reading.catheter_right_px
    if left is None or right is None or not len(left) or not len(right):
        return ""
    walls = np.concatenate([left, right])
    if not np.isfinite(walls).all(axis=1).any():
        return ""
    crop = crop_around(frame, walls, margin_px=_MARGIN_PX, shape=_SHAPE)
    zoom = min(_LARGEST[0] / crop.columns, _LARGEST[1] / (crop.rows * crop.aspect), _DEEPEST_ZOOM)
    lines = catheter_lines(left, right, crop, zoom)
    if not lines:
        return ""
    middle = np.nanmean(walls, axis=0)
    anchor = to_canvas(middle[np.newaxis], crop, zoom)[0]
    wish = Wish((catheter_title(reading.picks),), CATHETER.colour, (float(anchor[0]), float(anchor[1])), "catheter")
    obstacles = np.concatenate([line.points for line in lines])
    tags = place([wish], obstacles, crop.columns * zoom, crop.rows * zoom * crop.aspect)
    return scene_svg(Scene(crop, zoom, tuple(lines), (), tags), "The traced catheter on the frame")


def catheter_title(picks: Picks) -> str:
    """Name the catheter by the size that was given."""
    if picks.catheter_mm is not None:
        return f"Catheter {plain_value(picks.catheter_mm)} mm"
    if picks.french is not None:
        return f"Catheter {plain_value(picks.french)} F"
    return "Catheter"
