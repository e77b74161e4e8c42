"""What lies over the frame on napari's canvas: lines and their casing, marks, handles, points; a layer each.

Walls are a Vectors layer, not Shapes: those crash when the last one is removed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from qca.picks import Point
from qca.report.palette import CATHETER, INKS
from ui.desk.drawing import HAND, NOTHING, Mark, Segments
from ui.desk.layers import BRIGHT, NONE, drawn_once, set_points, set_vectors
from ui.desk.work import Role

if TYPE_CHECKING:
    from napari.layers import Layer
    from napari.viewer import Viewer

SHADE_PX = 1.3
"""Width of the dark rim of texts, screen px."""

SCREEN_PX = {"casing": 3.8, "lines": 1.7, "marks": 8.0, "handles": 6.0, "points": 11.0}
"""Widths of lines and of the white casing under them, and sizes of marks, handles and points, screen px."""

FADED = 0.4
"""Opacity of lines and marks that stand back."""

LETTERS: dict[Role, str] = {
    "proximal": "P",
    "distal": "D",
    "side": "S",
    "start": "start",
    "end": "end",
    "catheter_a": "C",
    "catheter_b": "C",
}


class Overlay:
    """Draws lines, marks, handles and points over the frame.

    Parameters
    ----------
    viewer : napari.Viewer
        The window.
    """

    def __init__(self, viewer: Viewer) -> None:
        self.viewer = viewer
        self._layers: dict[str, Layer] = {}
        self._marks: tuple[list[Mark], Mark | None] = ([], None)
        self._width_zoom = 0.0
        self._faded = False
        self.rescaled: Callable[[], None] = lambda: None
        viewer.scene.camera.events.zoom.connect(self._keep_sizes)

    def lay(self, aspect: float) -> None:
        """Add the layers over those that are there.

        Parameters
        ----------
        aspect : float
            Row pitch divided by column pitch.
        """
        common: dict[str, Any] = {"scale": (aspect, 1.0)}
        viewer, nothing = self.viewer, np.zeros((0, 2))
        sizes = {"size": 1.0, "canvas_size_limits": (1, 200), "border_width": 0.17}
        ink = {"feature": "ink", "fallback": BRIGHT}
        text = {"string": "{label}", "size": 11, "color": ink, "anchor": "upper_left", "translation": [-1.5, 2.0]}
        named: dict[str, Any] = {
            "features": {name: np.zeros(0, dtype=object) for name in ("label", "ink")},
            "feature_defaults": {"label": "", "ink": BRIGHT},
        }
        self._layers = {
            "casing": viewer.add_vectors(
                np.zeros((0, 2, 2)), name="casing", vector_style="line", edge_width=2.0, **common
            ),
            "lines": viewer.add_vectors(
                np.zeros((0, 2, 2)), name="lines", vector_style="line", edge_width=1.0, **common
            ),
            "marks": viewer.add_points(nothing, name="marks", **named, text=text, **sizes, **common),
            "handles": viewer.add_points(
                nothing, name="handles", symbol="square", face_color="#ffffffcc", border_color="#202020",
                **sizes, **common,
            ),
            "points": viewer.add_points(
                nothing, name="points", **named, text={**text, "size": 13},
                **sizes, **common,
            ),
        }  # fmt: skip
        self._faded = False
        for layer in self._layers.values():
            layer._update_thumbnail = draw_nothing  # noqa: SLF001 - no public way; no list shows them, 25 ms per drawing
            # what is drawn lies on the frame: it need not make napari lay out the world anew, 13 ms per drawing
            layer.events.data.disconnect(viewer._on_layers_change)  # noqa: SLF001
        self._width_zoom = 0.0
        self._keep_sizes()

    def stretch(self, aspect: float) -> None:
        """Change the row pitch divided by the column pitch."""
        for layer in self._layers.values():
            layer.scale = (aspect, 1.0)

    def draw(self, lines: Segments, marks: Sequence[Mark]) -> None:
        """Draw lines and marks in the place of those drawn before."""
        if not self._layers:
            return
        white = np.tile((1.0, 1.0, 1.0, 0.6), (int(lines.cased.sum()), 1))
        set_vectors(self._layers["casing"], lines.data[lines.cased], white)
        set_vectors(self._layers["lines"], lines.data, lines.colour)
        self.draw_marks(marks)

    def draw_marks(self, marks: Sequence[Mark]) -> None:
        """Draw marks in the place of those drawn before."""
        self._marks = (list(marks), None)
        self._set_marks()

    def fade(self, *, faded: bool) -> None:
        """Let lines and marks stand back: they belong to an earlier state of the work."""
        if faded != self._faded:
            self._faded = faded
            for name in ("casing", "lines", "marks"):
                if name in self._layers:
                    self._layers[name].opacity = FADED if faded else 1.0

    def hover(self, mark: Mark | None) -> None:
        """Show one further mark, or none."""
        if self._layers and mark != self._marks[1]:
            self._marks = (self._marks[0], mark)
            self._set_marks()

    def draw_knots(self, points: Sequence[Point]) -> None:
        """Draw the handles on the walls."""
        layer: Any = self._layers.get("handles")
        rows = _rows(points)
        if layer is None or np.array_equal(layer.data, rows):
            return
        with drawn_once(layer):
            layer.data = rows
            if points:
                layer.size = layer.current_size

    def draw_points(self, points: dict[Role, Point]) -> None:
        """Draw the picked points with their letters."""
        layer: Any = self._layers.get("points")
        if layer is None:
            return
        roles = list(points)
        colours = [
            (CATHETER if role.startswith("catheter") else INKS.get(role, INKS["segment"])).colour for role in roles
        ]
        set_points(
            layer, _rows(points.values()), colours, [LETTERS[role] for role in roles], ["disc"] * len(roles),
            ["#ffffff"] * len(roles), self._shade_px,
        )  # fmt: skip

    def clear(self) -> None:
        """Take everything away."""
        self.draw(NOTHING, [])
        self.draw_knots([])
        self.draw_points({})

    @property
    def _shade_px(self) -> float:
        return SHADE_PX / max(float(self.viewer.scene.camera.zoom), 1e-6)

    def _set_marks(self) -> None:
        layer: Any = self._layers.get("marks")
        if layer is None:
            return
        marks = [*self._marks[0], *([self._marks[1]] if self._marks[1] is not None else [])]
        if not marks and len(layer.data) == 0:
            return
        colours = [NONE if mark.hollow or not mark.symbol else mark.colour for mark in marks]
        borders = [_border(mark) for mark in marks]
        set_points(
            layer, _rows([mark.point for mark in marks]), colours, [mark.label for mark in marks],
            [mark.symbol or "disc" for mark in marks], borders, self._shade_px,
        )  # fmt: skip

    def _keep_sizes(self) -> None:
        """Keep lines equally wide and marks equally large on the screen, whatever the zoom."""
        zoom = float(self.viewer.scene.camera.zoom)
        if not self._layers or abs(zoom - self._width_zoom) < 0.12 * self._width_zoom:
            return
        self._width_zoom = zoom
        for name, size in SCREEN_PX.items():
            layer: Any = self._layers[name]
            if name in ("casing", "lines"):
                layer.edge_width = size / zoom
            else:
                layer.current_size = size / zoom
                if len(layer.data):
                    layer.size = size / zoom
        self.rescaled()


def draw_nothing() -> None:
    """Stand in for the drawing of a layer's thumbnail."""


def _border(mark: Mark) -> str:
    if not mark.symbol:
        return NONE
    if mark.hollow:
        return mark.colour
    return "#202020" if mark.colour == HAND else "#ffffff"


def _rows(points: Any) -> np.ndarray:  # noqa: ANN401 - any collection of points
    """(x, y) points as an array of (row, column)."""
    return np.array([(y, x) for x, y in points], dtype=float).reshape(-1, 2)
