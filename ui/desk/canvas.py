"""The frame on napari's canvas, what lies over it, and where on it the eye and the pointer are.

The desk's layers are six, made once per window, views of the work and never its store. Pixels stay pixels: layer
coordinates are stored pixels; only where these are not square does a layer scale stretch rows for the eye.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from qca.picks import Point
from ui.desk.lazy_frames import LazyFrames
from ui.desk.overlay import Overlay, draw_nothing

if TYPE_CHECKING:
    from napari.layers import Image
    from napari.viewer import Viewer

GRIP_PX = 11.0
"""How near the pointer must be to what it shall grab, screen px."""


class Canvas:
    """Shows frames; knows where a mouse event is in stored pixels.

    Parameters
    ----------
    viewer : napari.Viewer
        The window.
    """

    def __init__(self, viewer: Viewer) -> None:
        self.viewer = viewer
        self._aspect = 1.0
        self._image: Image | None = None
        self.overlay = Overlay(viewer)

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
            image._update_thumbnail = draw_nothing  # noqa: SLF001 - as for the others
            self.overlay.lay(aspect)
        else:
            image.contrast_limits_range = (min(low, window[0]), max(high, window[1]))
            image.data = frames
            image.opacity = 1.0
            if reshaped:  # each of these makes napari lay out the world anew
                image.scale = (1.0, aspect, 1.0)
                self.overlay.stretch(aspect)
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

    def clear(self) -> None:
        """Take everything away; the frame comes back with the next file."""
        self.overlay.clear()
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
