"""Mending: tools, handles, and edits made by hand. Every edit is data in the picks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from qca.picks import Edit, LimbName, Point
from qca.reading import Reading
from ui.desk import mending
from ui.desk.guide import Step
from ui.desk.mending import Knot
from ui.desk.work import picks_of

if TYPE_CHECKING:
    from ui.desk.desk import Desk

_KNOTS_APART = 28.0
"""Handles stand no closer than this on the screen, px."""

Tool = Literal["move", "redraw", "exclude", "path"]


class Mender:
    """The hand edits of the desk.

    Parameters
    ----------
    desk : Desk
        Whose edits these are.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.tool: Tool = "move"
        self.knots: list[Knot] = []
        self._of: tuple[object, ...] = ()
        self._doubts: tuple[int, int] = (0, 0)

    @property
    def reading(self) -> Reading | None:
        """The reading of the work as it stands."""
        measured = self.desk.measuring.shown.measured
        return measured.reading if measured is not None and self.desk.measuring.fresh else None

    @property
    def only_edits_since(self) -> bool:
        """True when the work differs from that of the reading shown by hand edits at most: its scale still holds."""
        measured = self.desk.measuring.shown.measured
        if measured is None or measured.provisional:
            return False
        return replace(picks_of(self.desk.work), edits=()) == replace(measured.reading.picks, edits=())

    @property
    def active(self) -> bool:
        """True when walls can be mended now."""
        return self.desk.steps.current is Step.CHECK and self.reading is not None and self.desk.picture.visible

    @property
    def doubtful(self) -> int:
        """Number of flags that make numbers of the reading unreliable."""
        reading = self.reading
        if reading is None:
            return 0
        if self._doubts[0] != id(reading):
            from qca.report.remarks import remarks

            self._doubts = (id(reading), sum(remark.untrusted for remark in remarks(reading)))
        return self._doubts[1]

    def refresh(self) -> None:
        """Show handles where they can be used."""
        reading = self.reading if self.active and self.tool == "move" else None
        apart = max(mending.KNOT_DISTANCE_PX, _KNOTS_APART / max(float(self.desk.viewer.scene.camera.zoom), 1e-6))
        now = (id(reading), round(apart))
        if now != self._of:
            self._of = now
            self.knots = [] if reading is None else mending.knots(reading, apart)

    @property
    def knots_in_sight(self) -> list[Knot]:
        """Handles to be drawn; those at a narrowing only with the pointer there. All of them can be taken hold of."""
        reading = self.reading
        if reading is None or not self.knots:
            return []
        limb, index = self.desk.hands.pointed
        return mending.in_sight(reading, self.knots, limb, index)

    def take(self, tool: Tool) -> None:
        """Take a tool; taking the one in the hand puts it back."""
        if not self.desk.ready:
            return
        if self.desk.steps.current is not Step.CHECK:
            self.desk.steps.go(Step.CHECK)
        self.tool = "move" if tool == self.tool else tool
        self.desk.refresh()

    def lay_down(self) -> None:
        """Back to moving: no tool stays in the hand for another step or another file."""
        self.tool = "move"

    def move_wall(self, knot: Knot, point: Point) -> None:
        """Let a wall run through a point."""
        reading = self.reading
        if reading is not None:
            edits = mending.wall_point(reading, knot, point, self.desk.history.work.edits)
            self._change(edits, f"moved the {knot.side} wall of the {knot.limb} limb")

    def draw_wall(self, stroke: Sequence[Point]) -> None:
        """Let the nearest wall run along a stroke."""
        edit = None if self.reading is None else mending.wall_stroke(self.reading, stroke)
        if edit is not None:
            self._add(edit, f"redrew the {edit.side} wall of the {edit.limb} limb")

    def leave_out(self, limb: str, low_px: float, high_px: float) -> None:
        """Leave a stretch of a limb out."""
        edit = mending.span_edit("exclude", _limb(limb), low_px, high_px)
        if edit is not None:
            self._add(edit, f"left out a stretch of the {limb} limb")

    def leave_out_between(self, begin: Point, end: Point) -> None:
        """Leave out the stretch between two points on the frame."""
        edit = None if self.reading is None else mending.excluded_stretch(self.reading, begin, end)
        if edit is not None:
            self._add(edit, f"left out a stretch of the {edit.limb} limb")

    def lesion_limits(self, limb: str, low_px: float, high_px: float) -> None:
        """Set the lesion's limits."""
        edit = mending.span_edit("lesion", _limb(limb), low_px, high_px)
        if edit is not None:
            edits = mending.replaced(self.desk.history.work.edits, edit)
            self._change(edits, f"moved the lesion limits of the {limb} limb")

    def reference(self, limb: str, value_px: float | None) -> None:
        """Set a limb's reference; None takes the measured one again."""
        edits = self.desk.history.work.edits
        if value_px is None:
            self._change(mending.without(edits, "reference", limb), f"measured RVD of the {limb} limb")
            return
        edit = Edit("reference", _limb(limb), value_px=round(value_px, 3))
        label = f"set the RVD of the {limb} limb"
        self._change(mending.replaced(edits, edit), label, merge=f"reference {limb}")

    def lead_path(self, point: Point) -> None:
        """Let the nearest limb's centreline run through a point."""
        measured = self.desk.measuring.shown.measured
        place = None if measured is None else mending.place_on(measured.reading, point)
        if place is not None:
            edit = Edit("path", place.limb, points=(mending.rounded(point),))
            self._add(edit, f"led the {place.limb} limb through a point")

    def remove(self, index: int) -> None:
        """Take one edit away."""
        edits = self.desk.history.work.edits
        if 0 <= index < len(edits):
            self._change((*edits[:index], *edits[index + 1 :]), "took an edit away")

    def remove_last(self) -> None:
        """Take the last edit away."""
        self.remove(len(self.desk.history.work.edits) - 1)

    def automatic(self) -> None:
        """Take all edits away: the automatic result."""
        if self.desk.history.work.edits:
            self._change((), "took all edits away")

    def _add(self, edit: Edit, label: str) -> None:
        self._change((*self.desk.history.work.edits, edit), label)

    def _change(self, edits: tuple[Edit, ...], label: str, merge: str = "") -> None:
        self.desk.change(replace(self.desk.history.work, edits=edits), label, merge)


def _limb(name: str) -> LimbName:
    if name not in ("proximal", "distal", "side", "segment"):
        msg = f"name: {name!r} is no limb"
        raise ValueError(msg)
    return name  # type: ignore[return-value]
