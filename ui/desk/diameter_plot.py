"""The diameter along one limb, linked with the image: hover here, marker there; lesion limits can be dragged."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from qtpy.QtWidgets import QSizePolicy, QWidget

from qca.reading import LimbReading
from qca.report.palette import INKS
from ui.desk.inks import LIGHT, Look

_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 8.0, 6.0, 20.0
_GRIP = 6.0
"""Distance from a lesion limit within which it is grabbed, screen px."""

_STILL = 1.0
"""A press that moves no more than this has dragged nothing, screen px."""


class DiameterPlot(QWidget):
    """Diameter with its standard deviation, reference, MLD and lesion limits of one limb.

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

    # -- geometry ---------------------------------------------------------------------------------------------------

    @property
    def _area(self) -> QRectF:
        return QRectF(_LEFT, _TOP, max(self.width() - _LEFT - _RIGHT, 1.0), max(self.height() - _TOP - _BOTTOM, 1.0))

    def _positions(self) -> np.ndarray:
        assert self._limb is not None  # noqa: S101 - callers have looked
        return self._limb.profile.position_px

    def _x(self, position_px: float) -> float:
        return float(self._across(np.array(position_px)))

    def _position(self, x: float) -> float:
        along, area = self._positions(), self._area
        share = min(max((x - area.left()) / area.width(), 0.0), 1.0)
        return float(along[0] + share * (along[-1] - along[0]))

    def _y(self, diameter: float) -> float:
        return float(self._down(np.array(diameter)))

    def _across(self, positions_px: np.ndarray) -> np.ndarray:
        """Screen x of positions along the limb, shape as given."""
        along, area = self._positions(), self._area
        share = (positions_px - along[0]) / max(float(along[-1] - along[0]), 1e-9)
        return np.asarray(area.left() + share * area.width())

    def _down(self, diameters: np.ndarray) -> np.ndarray:
        """Screen y of diameters, shape as given; never below the axis."""
        area = self._area
        return np.asarray(area.bottom() - (diameters / self._top).clip(0.0, 1.05) * area.height())

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
        if self._limb is None or len(self._limb.profile.position_px) < 2:
            painter.setPen(QColor(look.quiet))
            painter.drawText(self._area, Qt.AlignmentFlag.AlignCenter, "no reading yet")
            painter.end()
            return
        painter.setOpacity(0.45 if self._faded else 1.0)
        self._paint_axes(painter)
        self._paint_lesion(painter)
        self._paint_curve(painter)
        self._paint_marker(painter)
        painter.end()

    def _paint_axes(self, painter: QPainter) -> None:
        look, area = self._look, self._area
        step = _round_step(self._top / 3)
        value = 0.0
        while value <= self._top:
            y = self._y(value)
            painter.setPen(QPen(QColor(look.rule), 1))
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
            painter.setPen(QColor(look.quiet))
            box = QRectF(0, y - 7, _LEFT - 4, 14)
            painter.drawText(box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, f"{value:g}")
            value += step
        unit = self._unit_per_px()
        along = self._positions()
        step = _round_step((along[-1] - along[0]) * unit / 4)
        at = math.ceil(along[0] * unit / step) * step
        while at <= along[-1] * unit + 1e-9:
            x = self._x(at / unit)
            painter.setPen(QPen(QColor(look.rule), 1))
            painter.drawLine(QPointF(x, area.bottom()), QPointF(x, area.bottom() + 3))
            painter.setPen(QColor(look.quiet))
            box = QRectF(x - 14, area.bottom() + 3, 28, 14)
            painter.drawText(box, Qt.AlignmentFlag.AlignHCenter, f"{at:g}")
            at += step
        begin = "start" if self.name == "segment" else "carina"
        caption = f"{'mm' if self._in_mm else 'px'} from the {begin}"
        painter.setPen(QColor(look.quiet))
        painter.drawText(
            area.adjusted(0, 0, -2, -1), Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignBottom, caption
        )

    def _unit_per_px(self) -> float:
        profile = self._limb.profile if self._limb is not None else None
        if profile is None or not self._in_mm:
            return 1.0
        k = int(np.argmax(np.abs(profile.position_px)))
        return float(profile.position_mm[k] / profile.position_px[k]) if profile.position_px[k] else 1.0

    def _paint_lesion(self, painter: QPainter) -> None:
        area, look = self._area, self._look
        span = self._span()
        if span is not None:
            left, right = (min(max(self._x(p), area.left()), area.right()) for p in span)
            shade = QColor(look.limb(self.name))
            shade.setAlpha(38)
            painter.fillRect(QRectF(left, area.top(), right - left, area.height()), shade)
            painter.setPen(QPen(QColor(look.limb(self.name)), 2))
            for x in (left, right):
                painter.drawLine(QPointF(x, area.top()), QPointF(x, area.top() + 9))
                painter.drawLine(QPointF(x, area.bottom() - 9), QPointF(x, area.bottom()))
        if self._drag is not None and self._grip == "stretch":
            low, high = sorted(self._x(p) for p in self._drag)
            painter.fillRect(QRectF(low, area.top(), high - low, area.height()), QColor(look.raised))

    def _paint_curve(self, painter: QPainter) -> None:
        limb, look = self._limb, self._look
        assert limb is not None  # noqa: S101 - paintEvent has looked
        profile = limb.profile
        diameter, sd = profile.diameter_px, profile.diameter_sd_px
        reference = profile.reference_px
        if self._in_mm:
            diameter, sd, reference = profile.diameter_mm, profile.diameter_sd_mm, profile.reference_mm
        colour = QColor(look.limb(self.name))
        band = QColor(colour)
        band.setAlpha(60)
        across = self._across(profile.position_px)
        middle = self._down(diameter)
        for part in _runs(np.isfinite(diameter)):
            if np.isfinite(sd[part]).all():
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(band)
                low, high = (self._down(diameter + sign * sd) for sign in (-1, 1))
                outline = np.concatenate([part, part[::-1]])
                painter.drawPolygon(_polygon(across[outline], np.concatenate([low[part], high[part[::-1]]])))
            pen = QPen(colour, 1.8)
            dash = INKS[self.name].dash
            if dash:
                pen.setDashPattern([length / 1.8 for length in dash])
                pen.setCapStyle(Qt.PenCapStyle.FlatCap)
            painter.setPen(pen)
            painter.drawPolyline(_polygon(across[part], middle[part]))
        for part in _runs(~np.isfinite(diameter)):
            painter.setPen(QColor(look.hand))
            box = QRectF(across[part[0]], self._area.top(), across[part[-1]] - across[part[0]], 14)
            painter.drawText(box.adjusted(-30, 0, 30, 0), Qt.AlignmentFlag.AlignHCenter, "left out")
        if np.isfinite(reference).any():
            painter.setPen(QPen(QColor(look.quiet), 1.2, Qt.PenStyle.DashLine))
            painter.drawPolyline(_polygon(across, self._down(reference)))
        drawn = [k for k, codes in enumerate(profile.flags) if "edited" in codes and np.isfinite(diameter[k])]
        painter.setPen(QPen(QColor(look.hand), 2))
        for k in drawn[::4]:
            painter.drawPoint(QPointF(float(across[k]), float(middle[k]) - 4))
        mld = limb.mld_mm if self._in_mm else limb.mld_px
        if math.isfinite(mld):
            painter.setPen(QPen(colour, 1.5))
            painter.setBrush(QColor(look.field))
            painter.drawEllipse(QPointF(self._x(limb.mld_position_px), self._y(mld)), 3.5, 3.5)

    def _paint_marker(self, painter: QPainter) -> None:
        limb, look, area = self._limb, self._look, self._area
        if limb is None or not 0 <= self._marker < len(limb.profile.position_px):
            return
        k, profile = self._marker, limb.profile
        x = self._x(float(profile.position_px[k]))
        painter.setPen(QPen(QColor(look.text), 1))
        painter.drawLine(QPointF(x, area.top()), QPointF(x, area.bottom()))
        text = self.readout(k)
        painter.setPen(QColor(look.text))
        width = painter.fontMetrics().horizontalAdvance(text) + 6
        left = x + 4 if x + 4 + width < area.right() else x - 4 - width
        box = QRectF(left, area.bottom() - 15, width, 14)
        painter.fillRect(box, QColor(look.field))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)

    def readout(self, k: int) -> str:
        """Position, diameter with SD and reference at a point of the profile, in words."""
        if self._limb is None:
            return ""
        profile = self._limb.profile
        unit = "mm" if self._in_mm else "px"
        position, diameter, sd, reference = (
            float(getattr(profile, f"{name}_{unit}")[k])
            for name in ("position", "diameter", "diameter_sd", "reference")
        )
        what = f"{diameter:.2f} ± {sd:.2f} {unit}" if math.isfinite(diameter) else "left out"
        return f"{what} at {position:.1f}, reference {reference:.2f}"

    # -- mouse ------------------------------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Grab a lesion limit, or begin to mark a stretch with Shift."""
        if self._limb is None or event.button() != Qt.MouseButton.LeftButton:
            return
        x = self._pressed_x = event.position().x()
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            self._grip = "stretch"
            self._drag = (self._position(x), self._position(x))
            return
        span = self._span()
        if span is None:
            return
        near = [(abs(self._x(position) - x), k) for k, position in enumerate(span)]
        distance, k = min(near)
        if distance <= _GRIP:
            self._grip = "limit"
            self._drag = (span[1 - k], span[k])

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Drag, or show the place under the pointer on the image."""
        if self._limb is None:
            return
        x = event.position().x()
        if self._drag is not None:
            self._drag = (self._drag[0], self._position(x))
            self.update()
            return
        along = self._positions()
        index = int(np.argmin(np.abs(along - self._position(x))))
        self.mark(index)
        self._hovered(self.name, index)
        span = self._span()
        near = span is not None and min(abs(self._x(position) - x) for position in span) <= _GRIP
        self.setCursor(Qt.CursorShape.SplitHCursor if near else Qt.CursorShape.CrossCursor)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Hand over what was dragged."""
        drag, grip = self._drag, self._grip
        self._drag, self._grip = None, ""
        self.update()
        x = event.position().x()
        if drag is None or self._limb is None or abs(x - self._pressed_x) <= _STILL:
            return
        low, high = sorted((drag[0], self._position(x)))
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


def _polygon(xs: np.ndarray, ys: np.ndarray) -> QPolygonF:
    """Join screen positions, (N,) each."""
    return QPolygonF([QPointF(x, y) for x, y in zip(xs.tolist(), ys.tolist(), strict=True)])


def _runs(mask: np.ndarray) -> list[np.ndarray]:
    """List the indices of each run of True of at least two."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [np.arange(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= 2]


def _round_step(rough: float) -> float:
    """Return the next of 1, 2, 5 times a power of ten above a number."""
    if not math.isfinite(rough) or rough <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(rough))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough - 1e-12)
