"""The numbers: a card for each limb, angles, Medina."""

from __future__ import annotations

from html import escape
from operator import attrgetter
from typing import TYPE_CHECKING

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QLabel, QVBoxLayout, QWidget

from qca.picks import LIMBS
from qca.report.digits import digits
from qca.report.limb_angles import limb_angles
from qca.report.remarks import Remark, remarks, touching
from ui.desk.limb_card import LimbCard, common_top

if TYPE_CHECKING:
    from qca.reading import Reading
    from ui.desk.desk import Desk
    from ui.desk.inks import Look
    from ui.desk.shown import Standing


class Cards(QWidget):
    """Everything that was measured, at a glance.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.setObjectName("deskbody")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._shown: tuple[object, ...] = ()
        self.cards = {
            name: LimbCard(name, desk.hands.point_out, desk.mender.lesion_limits, desk.mender.leave_out)
            for name in (*LIMBS, "segment")
        }
        self._foot = QLabel()
        self._foot.setTextFormat(Qt.TextFormat.RichText)
        self._foot.setWordWrap(True)
        self._foot.setContentsMargins(8, 2, 8, 6)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 2, 0, 0)
        layout.setSpacing(0)
        for card in self.cards.values():
            layout.addWidget(card, 1)
        layout.addWidget(self._foot)

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        measured = desk.measuring.shown.measured
        reading = None if measured is None else measured.reading
        standing = desk.measuring.standing
        limbs = desk.work.limbs
        now = (id(reading), standing, limbs, desk.look.name)
        if now == self._shown:
            return
        self._shown = now
        found = () if reading is None else told(reading)
        top = common_top(reading)
        for name, card in self.cards.items():
            card.setVisible(name in limbs)
            if name in limbs:
                card.show_limb(reading, found, top=top, look=desk.look, standing=standing)
        self._foot.setText("" if reading is None else foot_html(reading, found, desk.look, standing))

    def point_out(self, limb: str, index: int) -> None:
        """Show the marker of the place that the pointer is on."""
        for name, card in self.cards.items():
            card.plot.mark(index if name == limb else -1)


def told(reading: Reading) -> tuple[Remark, ...]:
    """Remarks to be marked at the numbers; that they are provisional is said in words and by ``≈`` before each."""
    return tuple(remark for remark in remarks(reading) if remark.code != "provisional")


def foot_html(reading: Reading, found: tuple[Remark, ...], look: Look, standing: Standing) -> str:
    """Angles and Medina code with their uncertainty; faded while newer ones are being computed."""
    usual = look.text if standing == "current" else look.quiet
    about = "≈&nbsp;" if standing == "provisional" else ""
    # a provisional angle without its SD, which would not fit the line beside the sign
    angle_text = attrgetter("bare_text" if about else "text")
    lines = []
    angles = limb_angles(reading)
    if angles:
        mark = " !" if touching(found, "angles") else ""
        colour = look.alarm if mark else usual
        parts = (
            f"{angle.letter}&nbsp;<b>{about}{escape(angle_text(angle.value)).replace(' ', '&nbsp;')}{mark}</b>"
            for angle in angles
        )
        lines.append(f"<span style='color:{colour}'>{' &nbsp; '.join(parts)}</span>")
    if reading.medina is not None:
        mark = " !" if touching(found, "medina", *reading.limbs) else ""
        colour = look.alarm if mark else usual
        code = f"<span style='color:{colour}'><b>{about}{escape(reading.medina.code)}{mark}</b></span>"
        close = [row.title.lower() for row in digits(reading) if "close" in row.verdict]
        words = [] if about else [f"chance of 1: {', '.join(row.probability_text for row in digits(reading))}"]
        words += [f"{', '.join(close)} too close to tell"] if close else []
        note = f" &nbsp;<span style='color:{look.quiet}'>{escape('; '.join(words)).replace(' %', '&nbsp;%')}</span>"
        lines.append(f"<span style='color:{look.quiet}'>Medina</span> &nbsp;{code}{note}")
    if reading.scale is None:
        lines.append(f"<span style='color:{look.hand}'>No scale: lengths are in pixels.</span>")
    lines.append(f"<span style='color:{look.quiet}'>± one standard deviation; bands 95 %</span>")
    return "<br>".join(lines)
