"""Small symbols in figures: what they are, their outlines, and as SVG."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qca.report.palette import PAPER
from qca.report.svg import coordinate, element

if TYPE_CHECKING:
    from qca.report.palette import Symbol


@dataclass(frozen=True, slots=True)
class Marker:
    """A small symbol around a canvas point."""

    x: float
    y: float
    shape: Symbol
    colour: str
    role: str
    owner: str
    filled: bool = True
    size: float = 4.5


def marker_svg(marker: Marker) -> str:
    """Draw one marker; an open one has a white rim."""
    paint: dict[str, object] = {
        "fill": marker.colour if marker.filled else "none",
        "stroke": PAPER if marker.filled else marker.colour,
        "stroke-width": 1.2 if marker.filled else 1.8,
        "data-role": marker.role,
        "data-of": marker.owner,
    }
    rim = ""
    if not marker.filled:
        rim_paint: dict[str, object] = {"fill": "none", "stroke": PAPER, "stroke-width": 4.0, "stroke-opacity": 0.85}
        rim = _outline(marker, rim_paint)
    return rim + _outline(marker, paint)


def _outline(marker: Marker, paint: dict[str, object]) -> str:
    if marker.shape == "circle":
        return element("circle", {"cx": marker.x, "cy": marker.y, "r": marker.size, **paint})
    corners = outline_points(marker)
    return element("path", {"d": "M" + "L".join(f"{coordinate(x)},{coordinate(y)}" for x, y in corners) + "Z", **paint})


def outline_points(marker: Marker) -> list[tuple[float, float]]:
    """Corners of a square, triangle or diamond marker; 24 points for a circle."""
    turns = {"square": (4, math.pi / 4), "triangle": (3, -math.pi / 2), "diamond": (4, 0.0), "circle": (24, 0.0)}
    count, start = turns[marker.shape]
    radius = marker.size * (1.0 if marker.shape == "circle" else 1.25)
    angles = [start + 2 * math.pi * k / count for k in range(count)]
    return [(marker.x + radius * math.cos(a), marker.y + radius * math.sin(a)) for a in angles]
