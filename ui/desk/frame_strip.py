"""The strip under the image: filling and motion of every frame, R peaks, the suggested and the measured frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from qtpy.QtWidgets import QSizePolicy, QWidget

from qca.cine.filling import RunMarks
from ui.desk.inks import LIGHT, Look

_LEFT, _RIGHT = 62.0, 10.0


class FrameStrip(QWidget):
    """Shows a run at a glance and scrubs through it.

    Parameters
    ----------
    scrubbed : callable
        Called with a frame number while the pointer is pressed.
    """

    def __init__(self, scrubbed: Callable[[int], None], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._scrubbed = scrubbed
        self._count = 0
        self._shown = 0
        self._measured: int | None = None
        self._marks: RunMarks | None = None
        self._r_waves: tuple[int, ...] = ()
        self._time_ms: float | None = None
        self._look = LIGHT
        self.setFixedHeight(74)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setToolTip("Click or drag to scrub. Left and right arrow: one frame. F: the suggested frame.")

    def show_run(
        self,
        count: int,
        shown: int,
        *,
        measured: int | None,
        marks: RunMarks | None,
        r_waves: Sequence[int],
        time_ms: float | None,
        look: Look,
    ) -> None:
        """Show a run; ``measured`` is the frame of the picks, ``time_ms`` the time of the shown frame."""
        now = (count, shown, measured, marks, tuple(r_waves), time_ms, look)
        before = (self._count, self._shown, self._measured, self._marks, self._r_waves, self._time_ms, self._look)
        if now == before:
            return
        self._count, self._shown, self._measured, self._marks = count, shown, measured, marks
        self._r_waves, self._time_ms, self._look = tuple(r_waves), time_ms, look
        self.update()

    @property
    def _area(self) -> QRectF:
        return QRectF(_LEFT, 15.0, max(self.width() - _LEFT - _RIGHT, 1.0), self.height() - 31.0)

    def x_of(self, frame: float) -> float:
        """Where a frame stands on the strip, widget coordinates."""
        area = self._area
        return float(area.left() + frame / max(self._count - 1, 1) * area.width())

    def _frame_at(self, x: float) -> int:
        area = self._area
        share = min(max((x - area.left()) / area.width(), 0.0), 1.0)
        return round(share * max(self._count - 1, 0))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Paint the strip."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(self._look.panel))
        font = QFont(self.font())
        font.setPixelSize(10)
        painter.setFont(font)
        if self._count > 1:
            self._paint_run(painter)
        else:
            painter.setPen(QColor(self._look.quiet))
            text = "A single frame." if self._count else "Drop a DICOM run, a PNG or a TIFF on this window."
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, text)
        painter.end()

    def _paint_run(self, painter: QPainter) -> None:
        look, area = self._look, self._area
        painter.fillRect(area, QColor(look.field))
        if self._marks is not None and len(self._marks.filling) == self._count:
            self._paint_marks(painter, self._marks)
        else:
            painter.setPen(QColor(look.quiet))
            painter.drawText(area, Qt.AlignmentFlag.AlignCenter, "looking through the run")
        painter.setPen(QColor(look.quiet))
        for frame in self._r_waves:
            x = self.x_of(frame)
            painter.setPen(QPen(QColor(look.alarm), 1))
            painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
            painter.drawText(QRectF(x - 6, 2, 12, 12), Qt.AlignmentFlag.AlignCenter, "R")
        if self._measured is not None:
            x = self.x_of(self._measured)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(look.accent))
            y = area.top()
            painter.drawPolygon(QPolygonF([QPointF(x - 5, y - 7), QPointF(x + 5, y - 7), QPointF(x, y)]))
        x = self.x_of(self._shown)
        painter.setPen(QPen(QColor(look.text), 2))
        painter.drawLine(QPointF(x, area.top() - 3), QPointF(x, area.bottom() + 3))
        text = f"frame {self._shown}"
        if self._time_ms is not None:
            text += f", {self._time_ms / 1000:.2f} s"
        width = painter.fontMetrics().horizontalAdvance(text) + 4
        left = min(max(x - width / 2, area.left()), area.right() - width)
        painter.setPen(QColor(look.text))
        painter.drawText(QRectF(left, area.bottom() + 2, width, 14), Qt.AlignmentFlag.AlignCenter, text)

    def _paint_marks(self, painter: QPainter, marks: RunMarks) -> None:
        look, area = self._look, self._area
        filled = [QPointF(self.x_of(k), area.bottom() - float(v) * area.height()) for k, v in enumerate(marks.filling)]
        ground = [QPointF(area.right(), area.bottom()), QPointF(area.left(), area.bottom())]
        shade = QColor(look.accent)
        shade.setAlpha(70)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(shade)
        painter.drawPolygon(QPolygonF([*filled, *ground]))
        moving = [QPointF(self.x_of(k), area.bottom() - float(v) * area.height()) for k, v in enumerate(marks.motion)]
        painter.setPen(QPen(QColor(look.hand), 1.4, Qt.PenStyle.DashLine))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawPolyline(QPolygonF(moving))
        if marks.suggested is not None:
            x = self.x_of(marks.suggested)
            painter.setPen(QPen(QColor(look.accent), 1.5))
            painter.setBrush(QColor(look.field))
            painter.drawEllipse(QPointF(x, filled[marks.suggested].y()), 4, 4)
        painter.setPen(QColor(look.accent))
        right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        painter.drawText(QRectF(0, area.top(), _LEFT - 6, 14), right, "filling")
        painter.setPen(QColor(look.hand))
        painter.drawText(QRectF(0, area.top() + 15, _LEFT - 6, 14), right, "- motion")

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Scrub to the frame under the pointer."""
        if self._count > 1 and event.button() == Qt.MouseButton.LeftButton:
            self._scrubbed(self._frame_at(event.position().x()))

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Scrub along."""
        if self._count > 1 and event.buttons() & Qt.MouseButton.LeftButton:
            self._scrubbed(self._frame_at(event.position().x()))
