"""The diameter along one limb as it is drawn on a stretch of screen: where positions and diameters lie, and the paint.

Everything follows from the values held here, so a drawing is made anew for each use, and no state of it can lag behind
the widget that asks for it (:mod:`ui.desk.diameter_plot`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QPainter, QPen, QPolygonF

from qca.reading import LimbReading
from qca.report.measured import COVERAGE_FACTOR
from qca.report.palette import INKS
from ui.desk.inks import Look

_TITLE_HEIGHT = 76.0
"""Height from which the title of the diameter's axis fits beside it, screen px."""


@dataclass(frozen=True, slots=True)
class DiameterDrawing:
    """Diameter with its 95 % band, reference, MLD and lesion limits of one limb on an area.

    Parameters
    ----------
    limb : LimbReading
        The limb of a reading.
    name : str
        Its name.
    in_mm : bool
        Millimetres instead of pixels.
    top : float
        Diameter at the upper edge, mm or px.
    look : Look
        Colours.
    area : QRectF
        Within the axes, screen px.
    """

    limb: LimbReading
    name: str
    in_mm: bool
    top: float
    look: Look
    area: QRectF

    def x(self, position_px: float) -> float:
        """Screen x of a position along the limb."""
        return float(self.across(np.array(position_px)))

    def position(self, x: float) -> float:
        """Position along the limb, px, at a screen x; beyond the area that at its edge."""
        along, area = self.limb.profile.position_px, self.area
        share = min(max((x - area.left()) / area.width(), 0.0), 1.0)
        return float(along[0] + share * (along[-1] - along[0]))

    def y(self, diameter: float) -> float:
        """Screen y of a diameter."""
        return float(self.down(np.array(diameter)))

    def across(self, positions_px: np.ndarray) -> np.ndarray:
        """Screen x of positions along the limb, shape as given."""
        along, area = self.limb.profile.position_px, self.area
        share = (positions_px - along[0]) / max(float(along[-1] - along[0]), 1e-9)
        return np.asarray(area.left() + share * area.width())

    def down(self, diameters: np.ndarray) -> np.ndarray:
        """Screen y of diameters, shape as given; never below the axis."""
        area = self.area
        return np.asarray(area.bottom() - (diameters / self.top).clip(0.0, 1.05) * area.height())

    def paint(
        self,
        painter: QPainter,
        *,
        lesion: tuple[float, float] | None,
        stretch: tuple[float, float] | None,
        marker: int,
    ) -> None:
        """Paint everything.

        Parameters
        ----------
        painter : QPainter
            Of the widget that the area lies on.
        lesion, stretch : tuple of float or None
            Lesion limits, and a stretch that is being marked, positions along the limb, px; None for none.
        marker : int
            Index into the profile; -1 for none.
        """
        self._paint_axes(painter)
        self._paint_lesion(painter, lesion, stretch)
        self._paint_curve(painter)
        self._paint_marker(painter, marker)

    def _paint_axes(self, painter: QPainter) -> None:
        look, area = self.look, self.area
        step = _round_step(self.top / 3)
        value = 0.0
        while value <= self.top:
            y = self.y(value)
            painter.setPen(QPen(QColor(look.rule), 1))
            painter.drawLine(QPointF(area.left(), y), QPointF(area.right(), y))
            painter.setPen(QColor(look.quiet))
            box = QRectF(0, y - 7, area.left() - 4, 14)
            painter.drawText(box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, f"{value:g}")
            value += step
        unit = self._unit_per_px()
        along = self.limb.profile.position_px
        step = _round_step((along[-1] - along[0]) * unit / 4)
        at = math.ceil(along[0] * unit / step) * step
        while at <= along[-1] * unit + 1e-9:
            x = self.x(at / unit)
            painter.setPen(QPen(QColor(look.rule), 1))
            painter.drawLine(QPointF(x, area.bottom()), QPointF(x, area.bottom() + 3))
            painter.setPen(QColor(look.quiet))
            box = QRectF(x - 14, area.bottom() + 3, 28, 14)
            painter.drawText(box, Qt.AlignmentFlag.AlignHCenter, f"{at:g}")
            at += step
        self._paint_titles(painter)

    def _paint_titles(self, painter: QPainter) -> None:
        """Name the axes and the band: below the numbers and beside them, where nothing is drawn."""
        area, unit = self.area, "mm" if self.in_mm else "px"
        painter.setPen(QColor(self.look.quiet))
        below = QRectF(area.left(), area.bottom() + 15, area.width(), 13)
        begin = "start" if self.name == "segment" else "carina"
        painter.drawText(below, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, f"{unit} from the {begin}")
        painter.drawText(below, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, "band: 95 %")
        painter.save()
        painter.translate(0.0, area.bottom())
        painter.rotate(-90.0)
        title = f"diameter, {unit}" if area.height() >= _TITLE_HEIGHT else unit
        painter.drawText(QRectF(0, 0, area.height(), 13), Qt.AlignmentFlag.AlignCenter, title)
        painter.restore()

    def _unit_per_px(self) -> float:
        profile = self.limb.profile
        if not self.in_mm:
            return 1.0
        k = int(np.argmax(np.abs(profile.position_px)))
        return float(profile.position_mm[k] / profile.position_px[k]) if profile.position_px[k] else 1.0

    def _paint_lesion(
        self, painter: QPainter, span: tuple[float, float] | None, stretch: tuple[float, float] | None
    ) -> None:
        area, look = self.area, self.look
        if span is not None:
            left, right = (min(max(self.x(p), area.left()), area.right()) for p in span)
            shade = QColor(look.limb(self.name))
            shade.setAlpha(38)
            painter.fillRect(QRectF(left, area.top(), right - left, area.height()), shade)
            painter.setPen(QPen(QColor(look.limb(self.name)), 2))
            for x in (left, right):
                painter.drawLine(QPointF(x, area.top()), QPointF(x, area.top() + 9))
                painter.drawLine(QPointF(x, area.bottom() - 9), QPointF(x, area.bottom()))
        if stretch is not None:
            low, high = sorted(self.x(p) for p in stretch)
            painter.fillRect(QRectF(low, area.top(), high - low, area.height()), QColor(look.raised))

    def _paint_curve(self, painter: QPainter) -> None:
        limb, look = self.limb, self.look
        profile = limb.profile
        diameter, sd = profile.diameter_px, profile.diameter_sd_px
        reference = profile.reference_px
        if self.in_mm:
            diameter, sd, reference = profile.diameter_mm, profile.diameter_sd_mm, profile.reference_mm
        colour = QColor(look.limb(self.name))
        band = QColor(colour)
        band.setAlpha(60)
        across = self.across(profile.position_px)
        middle = self.down(diameter)
        for part in _runs(np.isfinite(diameter)):
            if np.isfinite(sd[part]).all():
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(band)
                low, high = (self.down(diameter + sign * COVERAGE_FACTOR * sd) for sign in (-1, 1))
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
            box = QRectF(across[part[0]], self.area.top(), across[part[-1]] - across[part[0]], 14)
            painter.drawText(box.adjusted(-30, 0, 30, 0), Qt.AlignmentFlag.AlignHCenter, "left out")
        if np.isfinite(reference).any():
            painter.setPen(QPen(QColor(look.quiet), 1.2, Qt.PenStyle.DashLine))
            painter.drawPolyline(_polygon(across, self.down(reference)))
        drawn = [k for k, codes in enumerate(profile.flags) if "edited" in codes and np.isfinite(diameter[k])]
        painter.setPen(QPen(QColor(look.hand), 2))
        for k in drawn[::4]:
            painter.drawPoint(QPointF(float(across[k]), float(middle[k]) - 4))
        mld = limb.mld_mm if self.in_mm else limb.mld_px
        if math.isfinite(mld):
            painter.setPen(QPen(colour, 1.5))
            painter.setBrush(QColor(look.field))
            painter.drawEllipse(QPointF(self.x(limb.mld_position_px), self.y(mld)), 3.5, 3.5)

    def _paint_marker(self, painter: QPainter, k: int) -> None:
        profile, look, area = self.limb.profile, self.look, self.area
        if not 0 <= k < len(profile.position_px):
            return
        x = self.x(float(profile.position_px[k]))
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
        profile = self.limb.profile
        unit = "mm" if self.in_mm else "px"
        position, diameter, sd, reference = (
            float(getattr(profile, f"{name}_{unit}")[k])
            for name in ("position", "diameter", "diameter_sd", "reference")
        )
        what = f"{diameter:.2f} ± {sd:.2f} {unit}" if math.isfinite(diameter) else "left out"
        return f"{what} at {position:.1f}, reference {reference:.2f}"


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
