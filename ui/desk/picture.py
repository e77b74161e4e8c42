"""The drawing over the frame: what of the reading, the points and the handles is on the canvas now."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ui.desk.canvas import Canvas
from ui.desk.drawing import NOTHING, Mark, Segments, marks, segments, shaft_segments

if TYPE_CHECKING:
    from napari.viewer import Viewer

    from ui.desk.desk import Desk


class Picture:
    """Keeps the canvas in step with the desk.

    Parameters
    ----------
    desk : Desk
        Whose picture this is.
    viewer : napari.Viewer
        The window.
    """

    def __init__(self, desk: Desk, viewer: Viewer) -> None:
        self.desk = desk
        self.canvas = Canvas(viewer)
        self.canvas.overlay.rescaled = self._rescaled
        self.wanted = True
        self._to_look_at = False
        self._drawn: tuple[object, ...] = ()

    @property
    def visible(self) -> bool:
        """True when lines and points are on the screen."""
        return self.desk.ready and self.wanted and self.desk.scrubber.on_frame

    def toggle(self) -> None:
        """Hide lines and points for a free look at the frame, or show them again."""
        self.wanted = not self.wanted
        self.desk.refresh()

    def begin(self) -> None:
        """Show the lines, and look at the vessel as soon as it is measured: another file was opened."""
        self.wanted, self._to_look_at = True, True

    def blank(self) -> None:
        """Leave nothing on the canvas, the frame neither."""
        self.canvas.clear()
        self._drawn = ()

    def look_at_first_reading(self) -> None:
        """Bring the vessel into view when it was measured for the first time; never under a drag."""
        if self._to_look_at and self.desk.measured is not None and self.visible:
            self._to_look_at = False
            self.look_at_vessel()

    def look_at_vessel(self) -> None:
        """Bring the measured vessel into view, or the whole frame where nothing is measured."""
        measured = self.desk.measuring.shown.measured
        if measured is None:
            self.canvas.viewer.reset_view()
            return
        profiles = [limb.profile for limb in measured.reading.limbs.values()]
        self.canvas.look_at(np.concatenate([np.column_stack([p.x_px, p.y_px]) for p in profiles]))

    def refresh(self) -> None:
        """Draw what has changed."""
        desk = self.desk
        if not desk.ready:
            return
        visible = self.visible  # hidden is drawn as nothing: napari trips over layers that change while they are hidden
        shown, edits = desk.measuring.shown, desk.work.own_edits
        measured = shown.measured
        # lines of an earlier place stand back until the new ones are there, during a drag too
        self.canvas.overlay.fade(faded=measured is not None and not desk.measuring.fresh)
        now = (visible, id(measured), id(shown.shaft), edits)
        if now != self._drawn:
            self._drawn = now
            self.canvas.overlay.draw(self._segments() if visible else NOTHING, self._marks())
        self.draw_knots()
        self._draw_points()

    def _draw_points(self) -> None:
        self.canvas.overlay.draw_points(self.desk.work.points if self.visible else {})

    def _marks(self) -> list[Mark]:
        measured, zoom = self.desk.measuring.shown.measured, float(self.canvas.viewer.scene.camera.zoom)
        return marks(measured.reading, self.desk.work.own_edits, zoom) if self.visible and measured is not None else []

    def draw_knots(self) -> None:
        """Draw the handles that are in sight now."""
        self.canvas.overlay.draw_knots([knot.point for knot in self.desk.mender.knots_in_sight])

    def _segments(self) -> Segments:
        shown = self.desk.measuring.shown
        if shown.measured is not None:
            return segments(shown.measured.reading)
        if shown.shaft is not None and shown.shaft.left_px is not None and shown.shaft.right_px is not None:
            return shaft_segments(shown.shaft.left_px, shown.shaft.right_px)
        return NOTHING

    def _rescaled(self) -> None:
        if self.desk.ready:
            self.desk.mender.refresh()
            self.draw_knots()
            self.canvas.overlay.draw_marks(self._marks())  # texts have another size on the frame now
            self._draw_points()
