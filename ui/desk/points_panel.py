"""Step 3: the points on the vessel."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from qtpy.QtWidgets import QLabel, QPushButton, QWidget

from ui.desk.guide import ROLE_TITLES
from ui.desk.pieces import button, column, label, row, sentence, set_text
from ui.desk.work import BIFURCATION_ROLES, SEGMENT_ROLES, Role

if TYPE_CHECKING:
    from ui.desk.desk import Desk

KEYS: dict[Role, str] = {"proximal": "P", "distal": "D", "side": "S", "start": "P", "end": "D"}


class PointsPanel(QWidget):
    """A row for each point: where it is, set it again, take it away.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._rows: dict[Role, tuple[QWidget, QPushButton, QLabel, QPushButton]] = {}
        rows = []
        for role in (*BIFURCATION_ROLES, *SEGMENT_ROLES):
            set_it = button(ROLE_TITLES[role], partial(desk.picker.arm, role), f"{KEYS[role]}: the next click sets it")
            set_it.setCheckable(True)
            where = label(wrap=False)
            away = button("✕", partial(desk.picker.remove_point, role), "Take this point away", "plain")
            line = row(set_it, where, 1, away)
            self._rows[role] = (line, set_it, where, away)
            rows.append(line)
        self._mode = button("", desk.picker.toggle_segment, "V")
        self._problem = label(mark="alarm")
        self._advice = label(mark="quiet")
        self._refuse = button(
            "Cannot be read…", desk.reads.refuse, "Ctrl+R: enter the reason into the record, and go on"
        )
        self._go = button("Go on", desk.steps.accept, "Enter", "main")
        column(
            self,
            *rows,
            self._problem,
            self._advice,
            row(self._mode, 1, self._refuse, self._go),
        )

    def summary(self, desk: Desk) -> str:
        """One line for the header of the step."""
        work = desk.work
        done = len(work.vessel_roles) - len(work.missing)
        kind = "segment" if work.segment else "bifurcation"
        return f"{kind}, {done} of {len(work.vessel_roles)}"

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        work = desk.work
        for role, (line, set_it, where, away) in self._rows.items():
            line.setVisible(role in work.vessel_roles)
            point = work.point(role)
            set_it.setChecked(desk.picker.armed == role)
            set_it.setEnabled(desk.ready)
            set_it.setStyleSheet(f"text-align: left; border-left: 6px solid {desk.look.limb(_ink(role))};")
            where.setText(f"{point[0]:.0f}, {point[1]:.0f} px" if point is not None else "not set")
            away.setVisible(point is not None)
        set_text(self._problem, sentence(desk.measuring.shown.problem))
        set_text(self._advice, _advice(desk.measuring.shown.problem, listed=desk.reads.listed))
        self._go.setEnabled(desk.measuring.fresh)
        self._refuse.setVisible(desk.steps.refused and desk.reads.listed)
        self._mode.setText("A bifurcation instead" if work.segment else "One segment instead")
        self._mode.setEnabled(desk.ready)


def _ink(role: Role) -> str:
    return role if role in BIFURCATION_ROLES else "segment"


def _advice(problem: str, *, listed: bool) -> str:
    if not problem:
        return ""
    otherwise = " Where there is no vessel to measure, enter that it cannot be read." if listed else ""
    return f"Drag a point onto the vessel, or undo (Ctrl+Z). The frame and your points are kept.{otherwise}"
