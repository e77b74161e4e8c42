"""One limb: its numbers with their uncertainties, and its plot."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from qtpy.QtCore import QPointF, QSize, Qt
from qtpy.QtGui import QColor, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from qca.reading import LimbReading, Reading
from qca.report.palette import INKS
from qca.report.quantities import BY_KEY, in_millimetres
from qca.report.remarks import Remark, doubts
from ui.desk.diameter_plot import DiameterPlot
from ui.desk.inks import LIGHT, Look
from ui.desk.shown import Standing

_SHORT = (("mld", "MLD"), ("reference", "RVD"), ("ds", "DS"), ("lesion_length", "lesion"))
_WORTH = {"earlier": "earlier numbers", "provisional": "<b>provisional</b>"}


class Swatch(QWidget):
    """A piece of the limb's line: colour and dashes as on the image."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self._name = name
        self._look = LIGHT
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Return its size."""
        return QSize(34, 14)

    def show_look(self, look: Look) -> None:
        """Change the colours."""
        self._look = look
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Paint the line."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        pen = QPen(QColor(self._look.limb(self._name)), 3)
        dash = INKS[self._name].dash
        if dash:
            pen.setDashPattern([part / 3 for part in dash])
            pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        painter.setPen(pen)
        painter.drawLine(QPointF(1, self.height() / 2), QPointF(self.width() - 1, self.height() / 2))
        painter.end()


class LimbCard(QWidget):
    """Numbers and plot of one limb.

    Parameters
    ----------
    name : str
        Limb.
    hovered, limits, stretch : callable
        See `DiameterPlot`.
    """

    def __init__(
        self,
        name: str,
        hovered: Callable[[str, int], None],
        limits: Callable[[str, float, float], None],
        stretch: Callable[[str, float, float], None],
    ) -> None:
        super().__init__()
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.name = name
        self._swatch = Swatch(name)
        self._title = QLabel()
        self._title.setTextFormat(Qt.TextFormat.RichText)
        self._numbers = QLabel()
        self._numbers.setTextFormat(Qt.TextFormat.RichText)
        self._numbers.setWordWrap(True)
        self.plot = DiameterPlot(name, hovered, limits, stretch)
        head = QHBoxLayout()
        head.setContentsMargins(0, 0, 0, 0)
        head.addWidget(self._swatch)
        head.addSpacing(4)
        head.addWidget(self._title, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 3, 8, 2)
        layout.setSpacing(1)
        layout.addLayout(head)
        layout.addWidget(self._numbers)
        layout.addWidget(self.plot, 1)

    def show_limb(
        self, reading: Reading | None, found: tuple[Remark, ...], *, top: float, look: Look, standing: Standing
    ) -> None:
        """Show the limb of a reading; faded while it is not that of the work as it stands."""
        limb = None if reading is None else reading.limbs.get(self.name)
        in_mm = reading is not None and in_millimetres(reading)
        self._swatch.show_look(look)
        title = f"<b>{escape(INKS[self.name].title)}</b>"
        if limb is not None and limb.edited:
            title += f" &nbsp;<span style='color:{look.hand}'><b>edited by hand</b></span>"
        if limb is not None and standing != "current":
            title += f" &nbsp;<span style='color:{look.quiet}'>{_WORTH[standing]}</span>"
        if title != self._title.text():
            self._title.setText(title)
        numbers = (
            "" if limb is None else numbers_html(limb, self.name, found, in_mm=in_mm, look=look, standing=standing)
        )
        if numbers != self._numbers.text():
            self._numbers.setText(numbers)
        self.plot.show_limb(limb, in_mm=in_mm, top=top, look=look, faded=standing != "current")


def numbers_html(
    limb: LimbReading, name: str, found: tuple[Remark, ...], *, in_mm: bool, look: Look, standing: Standing
) -> str:
    """MLD, reference, stenosis and lesion length with their SD; ``!`` marks what cannot be trusted, ``≈`` a glance."""
    parts = []
    for key, short in _SHORT:
        quantity = BY_KEY[key]
        number = quantity.of(limb, in_mm=in_mm)
        about = "≈&nbsp;" if standing == "provisional" and number.known and not number.instead else ""
        text = escape(number.text).replace(" ", "&nbsp;")
        colour = look.text if standing == "current" else look.quiet
        if number.known and doubts(found, quantity, name, in_mm=in_mm):
            text, colour = f"{text}&nbsp;!", look.alarm
        value = f"<span style='color:{colour}'><b>{about}{text}</b></span>"
        parts.append(f"<span style='color:{look.quiet}'>{short}</span>&nbsp;{value}")
    return " &nbsp; ".join(parts)


def common_top(reading: Reading | None) -> float:
    """Diameter at the upper edge of all plots of a reading: a little above the largest wall-to-wall distance shown."""
    import numpy as np

    if reading is None:
        return 1.0
    field = "mm" if in_millimetres(reading) else "px"
    largest = 0.0
    for limb in reading.limbs.values():
        for name in (f"diameter_{field}", f"reference_{field}"):
            values = getattr(limb.profile, name)
            if np.isfinite(values).any():
                largest = max(largest, float(np.nanmax(values)))
    return 1.12 * largest or 1.0
