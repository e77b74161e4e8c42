"""Picks: points set by a click or a drag, where the scale comes from, bifurcation or segment."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ui.desk.guide import ROLE_TITLES, Step
from ui.desk.work import CATHETER_ROLES, NO_SCALE, Role, ScaleChoice, with_point, without_point

if TYPE_CHECKING:
    from ui.desk.desk import Desk


class Picker:
    """The picks of the desk, apart from the hand edits.

    Parameters
    ----------
    desk : Desk
        Whose picks these are.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._asked_for: Role | None = None

    @property
    def armed(self) -> Role | None:
        """The point that the next click sets: the one asked for, else the next missing one of the open step."""
        desk, work = self.desk, self.desk.work
        if self._asked_for is not None:
            return self._asked_for
        if desk.steps.current is Step.SCALE and work.scale.way == "catheter":
            return next((role for role in CATHETER_ROLES if work.point(role) is None), None)
        if desk.steps.current is Step.POINTS:
            return next(iter(work.missing), None)
        return None

    def disarm(self) -> None:
        """Let the open step say which point is next."""
        self._asked_for = None

    def arm(self, role: Role) -> None:
        """Let the next click set this point."""
        desk, work = self.desk, self.desk.work
        if not desk.ready:
            return
        if role in CATHETER_ROLES:
            desk.steps.current = Step.SCALE
            if work.scale.way != "catheter":
                self.set_scale(replace(work.scale, way="catheter"), "catheter as scale")
        else:
            desk.steps.current = Step.POINTS
        self._asked_for = role
        desk.refresh()

    def set_point(self, role: Role, point: tuple[float, float]) -> None:
        """Set or move a point."""
        desk = self.desk
        verb = "set" if desk.history.work.point(role) is None else "moved"
        work = with_point(desk.history.work, role, point, frame=desk.scrubber.frame_for_picks)
        self.disarm()
        desk.change(work, f"{verb} {ROLE_TITLES[role]}")
        if desk.steps.current is Step.POINTS and not work.missing and verb == "set":
            desk.steps.go(Step.CHECK)

    def remove_point(self, role: Role) -> None:
        """Take a point away."""
        self.desk.change(without_point(self.desk.history.work, role), f"took away {ROLE_TITLES[role]}")

    def set_scale(self, choice: ScaleChoice, label: str, merge: str = "") -> None:
        """Choose where the scale comes from."""
        self.desk.change(replace(self.desk.history.work, scale=choice), label, merge)

    def without_scale(self) -> None:
        """Go on in pixels."""
        self.set_scale(NO_SCALE, "no scale")

    def toggle_segment(self) -> None:
        """Switch between a bifurcation and one segment; the points of either are kept."""
        if self.desk.ready:
            work = self.desk.history.work
            self.disarm()
            self.desk.change(
                replace(work, segment=not work.segment), "a bifurcation" if work.segment else "one segment"
            )
