"""The diameter along one limb, linked with the image: hover here, marker there; lesion limits can be dragged.

How it looks is said by :mod:`ui.desk.diameter_drawing`; here is what a hand does to it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from qtpy.QtCore import QRectF, Qt
from qtpy.QtGui import QColor, QFont, QMouseEvent, QPainter, QPaintEvent
from qtpy.QtWidgets import QSizePolicy, QWidget

from qca.reading import LimbReading
from ui.desk.diameter_drawing import DiameterDrawing
from ui.desk.inks import LIGHT, Look

_LEFT, _RIGHT, _TOP, _BOTTOM = 40.0, 8.0, 6.0, 30.0
_GRIP = 6.0
"""Distance from a lesion limit within which it is grabbed, screen px."""

_STILL = 1.0
"""A press that moves no more than this has dragged nothing, screen px."""


class DiameterPlot(QWidget):
    """Diameter with its 95 % band, reference, MLD and lesion limits of one limb.

    Parameters
    ----------
    name : str
        Limb.
    hovered : callable
        Called with (limb, index into the profile) when the pointer moves over the curve, (limb, -1) when it leaves.
    limits : callable
        Called with (limb, position_px, position_px) when the lesion limits were dragged.
    stretch : callable
        Called with (limb, position_px, position_px) when a stretch was marked with Shift and drag, to be left out.
    """

    def __init__(
        self,
        name: str,
        hovered: Callable[[str, int], None],
        limits: Callable[[str, float, float], None],
        stretch: Callable[[str, float, float], None],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.name = name
        self._hovered, self._limits, self._stretch = hovered, limits, stretch
        self._limb: LimbReading | None = None
        self._in_mm = True
        self._top = 1.0
        self._look = LIGHT
        self._marker = -1
        self._grip = ""
        self._drag: tuple[float, float] | None = None
        self._pressed_x = 0.0
        self._faded = False
        self.setMouseTracking(True)
        self.setMinimumHeight(72)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setToolTip("Drag the edges of the shaded lesion to move its limits. Shift and drag: leave a stretch out.")

    def show_limb(self, limb: LimbReading | None, *, in_mm: bool, top: float, look: Look, faded: bool) -> None:
        """Show the limb of a reading; ``top`` is the diameter at the upper edge, the same for all limbs."""
        self._limb, self._in_mm, self._top, self._look, self._faded = limb, in_mm, max(top, 1e-6), look, faded
        self._marker = -1
        self.update()

    def mark(self, index: int) -> None:
        """Show the marker at a point of the profile; -1 takes it away."""
        if index != self._marker:
            self._marker = index
            self.update()

    # -- what is shown ----------------------------------------------------------------------------------------------

    @property
    def drawing(self) -> DiameterDrawing | None:
        """The limb as it is drawn now; None without one."""
        limb = self._limb
        if limb is None:
            return None
        return DiameterDrawing(limb, self.name, self._in_mm, self._top, self._look, self._area)

    @property
    def _area(self) -> QRectF:
        return QRectF(_LEFT, _TOP, max(self.width() - _LEFT - _RIGHT, 1.0), max(self.height() - _TOP - _BOTTOM, 1.0))

    def _span(self) -> tuple[float, float] | None:
        """Lesion limits as shown now, px; None without a lesion."""
        limb = self._limb
        if limb is None:
            return None
        if self._drag is not None and self._grip != "stretch":
            low, high = sorted(self._drag)
            return low, high
        if not limb.lesion_end_px > limb.lesion_start_px:
            return None
        return limb.lesion_start_px, limb.lesion_end_px

    # -- painting ---------------------------------------------------------------------------------------------------

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Paint the plot."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        look = self._look
        painter.fillRect(self.rect(), QColor(look.field))
        font = QFont(self.font())
        font.setPixelSize(10)
        painter.setFont(font)
        drawing = self.drawing
        if drawing is None or len(drawing.limb.profile.position_px) < 2:
            painter.setPen(QColor(look.quiet))
            painter.drawText(self._area, Qt.AlignmentFlag.AlignCenter, "no reading yet")
            painter.end()
            return
        painter.setOpacity(0.45 if self._faded else 1.0)
        stretch = self._drag if self._grip == "stretch" else None
        drawing.paint(painter, lesion=self._span(), stretch=stretch, marker=self._marker)
        painter.end()

    # -- mouse ------------------------------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Grab a lesion limit, or begin to mark a stretch with Shift."""
        drawing = self.drawing
        if drawing is None or event.button() != Qt.MouseButton.LeftButton:
            return
        x = self._pressed_x = event.position().x()
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            self._grip = "stretch"
            self._drag = (drawing.position(x), drawing.position(x))
            return
        span = self._span()
        if span is None:
            return
        near = [(abs(drawing.x(position) - x), k) for k, position in enumerate(span)]
        distance, k = min(near)
        if distance <= _GRIP:
            self._grip = "limit"
            self._drag = (span[1 - k], span[k])

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Drag, or show the place under the pointer on the image."""
        drawing = self.drawing
        if drawing is None:
            return
        x = event.position().x()
        if self._drag is not None:
            self._drag = (self._drag[0], drawing.position(x))
            self.update()
            return
        index = int(np.argmin(np.abs(drawing.limb.profile.position_px - drawing.position(x))))
        self.mark(index)
        self._hovered(self.name, index)
        span = self._span()
        near = span is not None and min(abs(drawing.x(position) - x) for position in span) <= _GRIP
        self.setCursor(Qt.CursorShape.SplitHCursor if near else Qt.CursorShape.CrossCursor)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Hand over what was dragged."""
        drawing, drag, grip = self.drawing, self._drag, self._grip
        self._drag, self._grip = None, ""
        self.update()
        x = event.position().x()
        if drag is None or drawing is None or abs(x - self._pressed_x) <= _STILL:
            return
        low, high = sorted((drag[0], drawing.position(x)))
        if high - low < 1:
            return
        if grip == "limit":
            self._limits(self.name, low, high)
        else:
            self._stretch(self.name, low, high)

    def leaveEvent(self, event: object) -> None:  # noqa: ARG002, N802 - Qt's name
        """Take the marker away."""
        self.mark(-1)
        self._hovered(self.name, -1)
