"""The desk's own part of the window: guided column and, beside it, the numbers or the worksheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtWidgets import QHBoxLayout, QSizePolicy, QStackedWidget, QVBoxLayout, QWidget

from ui.desk.cards import Cards
from ui.desk.caution import CautionLabel
from ui.desk.guide import Step
from ui.desk.guided_column import GuidedColumn
from ui.desk.theme import style_sheet
from ui.desk.worksheet_view import WorksheetView

if TYPE_CHECKING:
    from ui.desk.desk import Desk


class DeskWidget(QWidget):
    """Guided column, numbers, worksheet; the caution below them where the window does not show it elsewhere.

    Parameters
    ----------
    desk : Desk
        The desk.
    caution : bool
        Show the caution here.
    """

    def __init__(self, desk: Desk, *, caution: bool) -> None:
        super().__init__()
        self.setObjectName("desk")
        # a dock of napari's puts an empty half below a widget that does not ask for all of the height
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
        self.column = GuidedColumn(desk)
        self.cards = Cards(desk)
        self.worksheet = WorksheetView(desk)
        self._beside = QStackedWidget()
        self._beside.addWidget(self.cards)
        self._beside.addWidget(self.worksheet)
        self._beside.setMinimumWidth(330)
        beside = QHBoxLayout()
        beside.setContentsMargins(0, 0, 0, 0)
        beside.setSpacing(0)
        beside.addWidget(self.column)
        beside.addWidget(self._beside, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addLayout(beside, 1)
        if caution:
            layout.addWidget(CautionLabel())
        self._look = ""

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        if desk.look.name != self._look:
            self._look = desk.look.name
            self.setStyleSheet(style_sheet(desk.look))
        self.column.show_desk(desk)
        planning = desk.steps.current is Step.PLAN
        self._beside.setCurrentWidget(self.worksheet if planning else self.cards)
        if planning:
            self.worksheet.show_desk(desk)
        self.cards.show_desk(desk)

    def point_out(self, limb: str, index: int) -> None:
        """Show the marker of the place that the pointer is on."""
        self.cards.point_out(limb, index)


class StripView:
    """Keeps the strip under the image in step with the desk.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        from ui.desk.frame_strip import FrameStrip

        self.strip = FrameStrip(desk.scrubber.show)

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        record = desk.record
        times = record.frame_times_ms if record is not None else ()
        self.strip.show_run(
            record.count if record is not None else 0,
            desk.scrubber.shown,
            measured=desk.work.frame,
            marks=desk.run_marks,
            r_waves=record.r_wave_frames if record is not None else (),
            time_ms=times[desk.scrubber.shown] if desk.scrubber.shown < len(times) else None,
            look=desk.look,
        )
