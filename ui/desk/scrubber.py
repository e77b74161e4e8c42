"""Which frame of the run is shown, and which one is measured."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from napari.viewer import Viewer

    from ui.desk.desk import Desk


class Scrubber:
    """Steps through the frames of the open file.

    Parameters
    ----------
    desk : Desk
        Whose frames these are.
    viewer : napari.Viewer
        The window; its slider is the one truth about the frame shown.
    """

    def __init__(self, desk: Desk, viewer: Viewer) -> None:
        self.desk = desk
        self.viewer = viewer
        self.shown = 0
        viewer.dims.events.current_step.connect(self._stepped)

    @property
    def frame_for_picks(self) -> int | None:
        """The shown frame as the picks name it: None for a still."""
        return self.shown if self.desk.opened is not None and self.desk.opened.is_run else None

    @property
    def on_frame(self) -> bool:
        """True when the frame shown is the one the points belong to."""
        work = self.desk.work
        return work.frame is None or not work.points or work.frame == self.shown

    def show(self, index: int) -> None:
        """Show a frame of the run."""
        record = self.desk.record
        if record is not None:
            self.desk.canvas.show_frame(min(max(index, 0), record.count - 1))

    def step(self, count: int) -> None:
        """Go on or back by some frames."""
        self.show(self.shown + count)

    def show_last(self) -> None:
        """Show the last frame."""
        record = self.desk.record
        self.show(0 if record is None else record.count - 1)

    def show_suggested(self) -> None:
        """Show the suggested frame."""
        marks = self.desk.run_marks
        if marks is not None and marks.suggested is not None:
            self.show(marks.suggested)

    def back_to_points(self) -> None:
        """Show the frame that the points belong to."""
        if self.desk.work.frame is not None:
            self.show(self.desk.work.frame)

    def measure_this_frame(self) -> None:
        """Make the shown frame the measured one; points stay where they are."""
        if self.desk.ready:
            frame = self.frame_for_picks
            self.desk.change(replace(self.desk.work, frame=frame), f"measure frame {frame}")

    def auto_window(self) -> None:
        """Choose the grey window from the shown frame."""
        if self.desk.opened is not None:
            self.desk.canvas.window = self.desk.opened.grey_window(self.shown)
            self.desk.refresh()

    def _stepped(self) -> None:
        if self.desk.ready and self.viewer.dims.ndim > 2:
            shown = int(self.viewer.dims.current_step[0])
            if shown != self.shown:
                self.shown = shown
                self.desk.refresh()
