"""A scene drawn as SVG over its embedded crop."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from typing import TYPE_CHECKING

from qca.report.marker import marker_svg
from qca.report.palette import PAPER
from qca.report.placing import leader
from qca.report.scene import LINE_HEIGHT
from qca.report.svg import FONT_SIZE, coordinate, element, figure, path_data, text_element

if TYPE_CHECKING:
    from qca.report.scene import Line, Scene, Tag


def scene_svg(scene: Scene, title: str) -> str:
    """Draw a scene as SVG over its embedded crop.

    Parameters
    ----------
    scene : Scene
        The scene.
    title : str
        Name for screen readers.

    Returns
    -------
    str
        An ``svg`` element. ``data-left``, ``data-top`` and ``data-zoom`` lead from canvas units back to stored
        pixels: ``x = left - 0.5 + canvas_x / zoom``.
    """
    crop = scene.crop
    picture = element(
        "image",
        {
            "x": 0.0,
            "y": 0.0,
            "width": scene.width,
            "height": scene.height,
            "preserveAspectRatio": "none",
            "href": "data:image/png;base64," + base64.b64encode(crop.png()).decode("ascii"),
        },
    )
    return figure(
        scene.width,
        scene.height,
        title,
        picture,
        *(_line(line) for line in scene.lines),
        *(marker_svg(marker) for marker in scene.markers),
        *(_leader(tag) for tag in scene.tags),
        *(_tag(tag) for tag in scene.tags),
        data_left=crop.left,
        data_top=crop.top,
        data_zoom=repr(float(scene.zoom)),
        data_aspect=repr(float(crop.aspect)),
    )


def _line(line: Line) -> str:
    path = path_data(line.points)
    common: dict[str, object] = {"d": path, "fill": "none", "stroke-linejoin": "round"}
    drawn = element(
        "path",
        {
            **common,
            "stroke": line.colour,
            "stroke-width": line.width,
            "stroke-dasharray": " ".join(coordinate(d) for d in line.dash) or None,
            "data-role": line.role,
            "data-of": line.owner,
        },
    )
    if not line.cased:
        return drawn
    rim = element("path", {**common, "stroke": PAPER, "stroke-opacity": 0.8, "stroke-width": line.width + 1.8})
    return rim + drawn


def _leader(tag: Tag) -> str:
    line = leader(tag)
    if line is None:
        return ""
    (x1, y1), (x2, y2) = line
    ends: dict[str, object] = {"x1": x1, "y1": y1, "x2": x2, "y2": y2}
    return element("line", {**ends, "stroke": PAPER, "stroke-width": 3.0, "stroke-opacity": 0.8}) + element(
        "line", {**ends, "stroke": tag.colour, "stroke-width": 1.1}
    )


def _tag(tag: Tag) -> str:
    box = element(
        "rect",
        {
            "x": tag.x,
            "y": tag.y,
            "width": tag.width,
            "height": tag.height,
            "rx": 3.0,
            "fill": PAPER,
            "fill-opacity": 0.94,
            "stroke": tag.colour,
            "stroke-width": 1.4,
        },
    )
    return element("g", {"class": "tag", "data-of": tag.owner}, box, *_tag_lines(tag))


def _tag_lines(tag: Tag) -> Iterable[str]:
    for k, content in enumerate(tag.lines):
        baseline = tag.y + 6.0 + FONT_SIZE * 0.82 + k * LINE_HEIGHT
        yield text_element(tag.x + 7.0, baseline, content, font_weight="600" if k == 0 else None)
