"""The desk's layers on napari's canvas: six, made once per window, views of the work and never its store.

Pixels stay pixels: layer coordinates are stored pixels; only where these are not square does a layer scale stretch rows
for the eye. Walls are a Vectors layer, not Shapes: those crash when the last one is removed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from qca.picks import Point
from qca.report.palette import CATHETER, INKS
from ui.desk.drawing import HAND, NOTHING, Mark, Segments
from ui.desk.layers import BRIGHT, NONE, drawn_once, set_points, set_vectors
from ui.desk.lazy_frames import LazyFrames
from ui.desk.work import Role

if TYPE_CHECKING:
    from napari.layers import Image, Layer
    from napari.viewer import Viewer

SHADE_PX = 1.3
"""Width of the dark rim of texts, screen px."""

SCREEN_PX = {"casing": 3.8, "lines": 1.7, "marks": 8.0, "handles": 6.0, "points": 11.0}
"""Widths of lines and of the white casing under them, and sizes of marks, handles and points, screen px."""

FADED = 0.4
"""Opacity of lines and marks that stand back."""

GRIP_PX = 11.0
"""How near the pointer must be to what it shall grab, screen px."""

LETTERS: dict[Role, str] = {
    "proximal": "P",
    "distal": "D",
    "side": "S",
    "start": "start",
    "end": "end",
    "catheter_a": "C",
    "catheter_b": "C",
}


class Canvas:
    """Draws frames, lines, marks, handles and points; knows where a mouse event is in stored pixels.

    Parameters
    ----------
    viewer : napari.Viewer
        The window.
    """

    def __init__(self, viewer: Viewer) -> None:
        self.viewer = viewer
        self._aspect = 1.0
        self._image: Image | None = None
        self._others: dict[str, Layer] = {}
        self._marks: tuple[list[Mark], Mark | None] = ([], None)
        self._width_zoom = 0.0
        self._faded = False
        self.rescaled: Callable[[], None] = lambda: None
        viewer.scene.camera.events.zoom.connect(self._keep_sizes)

    # -- frames -----------------------------------------------------------------------------------------------------

    def show_frames(self, frames: LazyFrames, index: int, aspect: float, window: tuple[float, float]) -> None:
        """Put a file's frames on the canvas, the whole frame in view.

        Parameters
        ----------
        frames : LazyFrames
            The frames.
        index : int
            Which one to show.
        aspect : float
            Row pitch divided by column pitch.
        window : (float, float)
            Grey values shown as black and white.
        """
        reshaped, self._aspect = aspect != self._aspect, aspect
        low, high = frames.source.record.grey_range
        image = self._image
        if image is None or image not in self.viewer.layers:
            self._image = image = self.viewer.add_image(
                frames, name="frame", colormap="gray", rgb=False, multiscale=False, contrast_limits=window,
                scale=(1.0, aspect, 1.0), cache=False,
            )  # fmt: skip
            image._update_thumbnail = _nothing  # noqa: SLF001 - as for the others
            self._make_others()
        else:
            image.contrast_limits_range = (min(low, window[0]), max(high, window[1]))
            image.data = frames
            image.opacity = 1.0
            if reshaped:  # each of these makes napari lay out the world anew
                image.scale = (1.0, aspect, 1.0)
                for layer in self._others.values():
                    layer.scale = (aspect, 1.0)
        image.contrast_limits_range = (min(low, window[0]), max(high, window[1]))
        image.contrast_limits = window
        self.viewer.layers.selection.active = image
        self.show_frame(index)
        self.viewer.reset_view()

    @property
    def shows_frame(self) -> bool:
        """True while a frame is in sight."""
        return self._image is not None and self._image.opacity > 0

    def show_frame(self, index: int) -> None:
        """Show another frame of the run."""
        if self._image is not None and self.viewer.dims.ndim > 2:
            self.viewer.dims.set_current_step(0, index)

    @property
    def window(self) -> tuple[float, float]:
        """Grey values shown as black and white."""
        if self._image is None:
            return (0.0, 1.0)
        low, high = self._image.contrast_limits
        return (float(low), float(high))

    @window.setter
    def window(self, window: tuple[float, float]) -> None:
        if self._image is not None:
            self._image.contrast_limits = window

    def reload(self) -> None:
        """Show the current frame again after it could not be decoded."""
        if self._image is not None:
            self._image.refresh()

    # -- lines, marks, handles, points ------------------------------------------------------------------------------

    def draw(self, lines: Segments, marks: Sequence[Mark]) -> None:
        """Draw lines and marks in the place of those drawn before."""
        if self._image is None:
            return
        white = np.tile((1.0, 1.0, 1.0, 0.6), (int(lines.cased.sum()), 1))
        set_vectors(self._others["casing"], lines.data[lines.cased], white)
        set_vectors(self._others["lines"], lines.data, lines.colour)
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
                if name in self._others:
                    self._others[name].opacity = FADED if faded else 1.0

    def hover(self, mark: Mark | None) -> None:
        """Show one further mark, or none."""
        if self._image is not None and mark != self._marks[1]:
            self._marks = (self._marks[0], mark)
            self._set_marks()

    def draw_knots(self, points: Sequence[Point]) -> None:
        """Draw the handles on the walls."""
        layer: Any = self._others.get("handles")
        rows = _rows(points)
        if layer is None or np.array_equal(layer.data, rows):
            return
        with drawn_once(layer):
            layer.data = rows
            if points:
                layer.size = layer.current_size

    def draw_points(self, points: dict[Role, Point]) -> None:
        """Draw the picked points with their letters."""
        layer: Any = self._others.get("points")
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
        """Take everything away; the frame comes back with the next file."""
        self.draw(NOTHING, [])
        self.draw_knots([])
        self.draw_points({})
        if self._image is not None:
            self._image.opacity = 0.0  # of a hidden layer napari forgets how many frames there are

    # -- geometry ---------------------------------------------------------------------------------------------------

    def point_of(self, event: Any) -> Point:  # noqa: ANN401 - napari's event
        """Where a mouse event is, (x, y) in stored pixels."""
        row, column = event.position[-2:]
        return (float(column), float(row) / self._aspect)

    @property
    def reach_px(self) -> float:
        """How near counts as on it, stored pixels."""
        return GRIP_PX / max(float(self.viewer.scene.camera.zoom), 1e-6)

    @property
    def _shade_px(self) -> float:
        return SHADE_PX / max(float(self.viewer.scene.camera.zoom), 1e-6)

    def inside(self, point: Point) -> bool:
        """Tell whether a point lies on the frame."""
        if self._image is None:
            return False
        rows, columns = self._image.data.shape[-2:]
        return bool(-0.5 <= point[0] <= columns - 0.5 and -0.5 <= point[1] <= rows - 0.5)

    def look_at(self, points_xy: np.ndarray, margin_px: float = 24.0) -> None:
        """Bring points into view with a margin."""
        known = points_xy[np.isfinite(points_xy).all(axis=1)]
        if not len(known):
            return
        low, high = known.min(axis=0) - margin_px, known.max(axis=0) + margin_px
        rows, columns = (float(size) for size in self.viewer.canvas.size)
        width, height = high[0] - low[0], (high[1] - low[1]) * self._aspect
        camera = self.viewer.scene.camera
        camera.center = (0.0, (low[1] + high[1]) / 2 * self._aspect, (low[0] + high[0]) / 2)
        camera.zoom = float(min(columns / max(width, 1.0), rows / max(height, 1.0)))

    # -- layers -----------------------------------------------------------------------------------------------------

    def _make_others(self) -> None:
        common: dict[str, Any] = {"scale": (self._aspect, 1.0)}
        viewer, nothing = self.viewer, np.zeros((0, 2))
        sizes = {"size": 1.0, "canvas_size_limits": (1, 200), "border_width": 0.17}
        ink = {"feature": "ink", "fallback": BRIGHT}
        text = {"string": "{label}", "size": 11, "color": ink, "anchor": "upper_left", "translation": [-1.5, 2.0]}
        named: dict[str, Any] = {
            "features": {name: np.zeros(0, dtype=object) for name in ("label", "ink")},
            "feature_defaults": {"label": "", "ink": BRIGHT},
        }
        self._others = {
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
        for layer in self._others.values():
            layer._update_thumbnail = _nothing  # noqa: SLF001 - no public way; no list shows them, 25 ms per drawing
            # what is drawn lies on the frame: it need not make napari lay out the world anew, 13 ms per drawing
            layer.events.data.disconnect(viewer._on_layers_change)  # noqa: SLF001
        viewer.layers.selection.active = self._image
        self._width_zoom = 0.0
        self._keep_sizes()

    def _set_marks(self) -> None:
        layer: Any = self._others.get("marks")
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
        if not self._others or abs(zoom - self._width_zoom) < 0.12 * self._width_zoom:
            return
        self._width_zoom = zoom
        for name, size in SCREEN_PX.items():
            layer: Any = self._others[name]
            if name in ("casing", "lines"):
                layer.edge_width = size / zoom
            else:
                layer.current_size = size / zoom
                if len(layer.data):
                    layer.size = size / zoom
        self.rescaled()


def _nothing() -> None:
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
