"""Step 1: open a file, find the frame, set the grey window."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QWidget
from superqt import QDoubleRangeSlider

from ui.desk.pieces import button, column, label, quietly, row, set_text

if TYPE_CHECKING:
    from qca.frames.frame import HeaderGeometry
    from ui.desk.desk import Desk


class FramePanel(QWidget):
    """What the file is, and which of its frames is measured.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._facts = label()
        self._view = label()
        self._header = label(mark="quiet")
        self._suggested = label(mark="quiet")
        self._take = button("Show it", desk.scrubber.show_suggested, "F")
        self._use = button("Measure this frame", desk.steps.accept, "Enter", "main")
        self._window = QDoubleRangeSlider(Qt.Orientation.Horizontal)
        self._window.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # it moves nothing by keys; "Auto" does
        self._window.setAccessibleName("Grey window")
        self._window.setToolTip(
            "Which grey values are shown as black and white. For the eye only: nothing measured changes."
        )
        self._window.valueChanged.connect(self._dragged)
        self._auto = button("Auto", desk.scrubber.auto_window, "B")
        column(
            self,
            row(
                button("Open…", desk.opener.ask_and_open, "Ctrl+O"),
                button("Shipped sample", desk.opener.open_sample, "Ctrl+D"),
                1,
            ),
            self._facts,
            self._view,
            self._header,
            row(self._suggested, self._take),
            row(label("Grey window, for the eye only", "quiet", wrap=False), 1, self._auto),
            self._window,
            row(1, self._use),
        )

    def summary(self, desk: Desk) -> str:
        """One line for the header of the step."""
        if desk.record is None:
            return "no file open"
        if desk.record.count == 1:
            return "single frame"
        return f"frame {desk.work.frame}" if desk.work.frame is not None else "not chosen"

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        record = desk.record
        for widget in (self._window, self._auto, self._use):
            widget.setEnabled(record is not None)
        self._use.setVisible(record is not None)
        if record is None:
            set_text(self._facts, "DICOM angiograms (XA, XRF), PNG and TIFF.")
            for part in (self._view, self._header, self._suggested):
                set_text(part, "")
            self._take.setVisible(False)
            return
        rate = f", {1000 / record.frame_time_ms:.3g} frames per second" if record.frame_time_ms else ""
        frames = f"{record.count} frames{rate}" if record.count > 1 else "single frame"
        lossy = "\nCompressed with loss: small lumens may have moved." if record.lossy else ""
        set_text(
            self._facts,
            f"{record.file}\n{record.format}, {record.columns} by {record.rows} px, {record.bits_stored} bit\n"
            f"{frames}{lossy}",
        )
        set_text(self._view, view_in_words(record.geometry))
        set_text(self._header, header_scale(desk))
        marks = desk.run_marks
        if record.count > 2:
            words = "looking through the run" if marks is None else marks.reason
            number = "" if marks is None or marks.suggested is None else f"Suggested: frame {marks.suggested}. "
            set_text(self._suggested, f"{number}{words[:1].upper()}{words[1:]}.")
        else:
            set_text(self._suggested, "")
        self._take.setVisible(
            marks is not None and marks.suggested is not None and desk.scrubber.shown != marks.suggested
        )
        self._use.setText("Measure this frame" if record.count > 1 else "Go on to the scale")
        low, high = desk.canvas.window
        bottom, top = record.grey_range
        with quietly(self._window):
            self._window.setRange(min(bottom, low), max(top, high))
            self._window.setValue((low, high))

    def _dragged(self, window: tuple[float, float]) -> None:
        low, high = window
        if high > low:
            self._desk.canvas.window = (low, high)


def view_in_words(geometry: HeaderGeometry) -> str:
    """Name the projection as the trade does: LAO or RAO, cranial or caudal (DICOM PS3.3 C.8.7.5.1.2)."""
    parts = []
    if geometry.primary_angle_deg is not None:
        side = "LAO" if geometry.primary_angle_deg >= 0 else "RAO"
        parts.append(f"{side} {abs(geometry.primary_angle_deg):.0f}°")
    if geometry.secondary_angle_deg is not None:
        tilt = "cranial" if geometry.secondary_angle_deg >= 0 else "caudal"
        parts.append(f"{tilt} {abs(geometry.secondary_angle_deg):.0f}°")
    return f"View: {', '.join(parts)}" if parts else ""


def header_scale(desk: Desk) -> str:
    """Say what scale the header would give, and its warnings."""
    from calib.sources import HeaderNumbers, scale_from_header

    record = desk.record
    if record is None:
        return ""
    names = HeaderNumbers.__dataclass_fields__
    scale = scale_from_header(HeaderNumbers(**{name: getattr(record.geometry, name) for name in names}))
    if scale is None:
        return ""
    warnings = "".join(f"\n{warning}" for warning in record.geometry.warnings[:2])
    spread = f"± {100 * scale.relative_sd:.1f} %"
    return f"Header's scale: {scale.mm_per_px:.4f} mm per px {spread}, for one depth only.{warnings}"
