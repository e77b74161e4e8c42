"""A drawing in millimetres: lines, shapes and text that become SVG, and the bifurcation's reference tubes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from qca.report.svg import element, figure, text_element
from qca.sizing.sketch import Point, Sketch

Box = tuple[float, float, float, float]
"""Left, top, right, bottom, mm."""

_MOST_STEPS = 60

VESSEL = "#e9edf0"
WALL = "#8b98a3"
_LETTER = 0.56
"""Width of an average letter over the font size, to keep text inside the drawing."""


class Canvas:
    """Millimetres to canvas units, and the bounds of what was drawn."""

    def __init__(self, zoom: float) -> None:
        self.zoom = zoom
        self._x: list[float] = []
        self._y: list[float] = []
        self._written: list[Box] = []

    def points(self, line: Iterable[Point]) -> str:
        """Write points in canvas units."""
        written = []
        for x, y in line:
            self._x.append(x)
            self._y.append(y)
            written.append(f"{x * self.zoom:.2f},{y * self.zoom:.2f}")
        return " ".join(written)

    def polygon(self, line: Sequence[Point], **attributes: object) -> str:
        """Draw a closed shape."""
        return element("polygon", {"points": self.points(line), **_hyphens(attributes)})

    def line(self, line: Sequence[Point], **attributes: object) -> str:
        """Draw a line."""
        return element("polyline", {"points": self.points(line), "fill": "none", **_hyphens(attributes)})

    def text(self, x: float, y: float, content: str, *, size: float = 12.0, **attributes: object) -> str:
        """Write text at a point in mm; its estimated width counts as drawn."""
        width = self.width_of(content, size)
        left = {"middle": x - width / 2.0, "end": x - width}.get(str(attributes.get("text_anchor")), x)
        box = (left, y - size / self.zoom, left + width, y + 0.3 * size / self.zoom)
        self._written.append(box)
        self._x += [box[0], box[2]]
        self._y += [box[1], box[3]]
        return text_element(x * self.zoom, y * self.zoom, content, halo=True, font_size=size, **attributes)

    def keep_clear(self, x: float, y: float, half: float) -> None:
        """Let no text that is shifted later lie on a square around a point, mm."""
        self._written.append((x - half, y - half, x + half, y + half))

    def width_of(self, content: str, size: float) -> float:
        """Estimate the width of a text, mm."""
        return _LETTER * size * len(content) / self.zoom

    def shift_clear(self, box: Box, step: float) -> float:
        """Say how far a box has to move, in steps of ``step`` mm, to lie on no text that is written already."""
        x0, y0, x1, y1 = box
        for number in range(_MOST_STEPS):
            shift = number * step
            if not any(
                x0 < right and left < x1 and y0 + shift < low and high < y1 + shift
                for left, high, right, low in self._written
            ):
                return shift
        return 0.0

    def extent(self) -> tuple[float, float]:
        """Width and height of what was drawn so far, canvas units."""
        return (max(self._x) - min(self._x)) * self.zoom, (max(self._y) - min(self._y)) * self.zoom

    def finish(self, title: str, parts: Sequence[str], margin: float = 4.0) -> str:
        """Wrap what was drawn, with a margin in canvas units."""
        x0, y0 = min(self._x) * self.zoom - margin, min(self._y) * self.zoom - margin
        width, height = max(self._x) * self.zoom + margin - x0, max(self._y) * self.zoom + margin - y0
        moved = element("g", {"transform": f"translate({-x0:.2f} {-y0:.2f})"}, *parts)
        return figure(width, height, title, moved)


def vessel(canvas: Canvas, plane: Sketch, reach: Mapping[str, float]) -> list[str]:
    """Draw the reference tubes as one shape: all outlines first, all fills over them."""
    proximal = plane.limbs["proximal"]
    far = reach["proximal"]
    ends = [proximal.at(far, -proximal.radius), proximal.at(far, proximal.radius)]
    shapes = [
        [ends[0], plane.distal_shoulder, plane.side_shoulder, ends[1]],
        [plane.distal_shoulder, plane.mouth("distal", -1), plane.carina, plane.mouth("side", 1), plane.side_shoulder],
    ]
    for name in ("distal", "side"):
        tube = plane.limbs[name]
        near = [tube.at(0.0, -tube.radius), tube.at(reach[name], -tube.radius)]
        shapes.append([*near, tube.at(reach[name], tube.radius), tube.at(0.0, tube.radius)])
    rims = [canvas.polygon(shape, fill=VESSEL, stroke=WALL, stroke_width=1.6, stroke_linejoin="round")
            for shape in shapes]  # fmt: skip
    return rims + [canvas.polygon(shape, fill=VESSEL, stroke=VESSEL, stroke_width=0.6) for shape in shapes]


def _hyphens(attributes: dict[str, object]) -> dict[str, object]:
    return {key.replace("_", "-"): value for key, value in attributes.items()}
