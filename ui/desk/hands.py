"""The mouse on the canvas: a click sets the armed point, a drag moves a point or a handle, or draws, or pans."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from typing import TYPE_CHECKING, Any

from qca.picks import Point
from qca.report.palette import INKS
from ui.desk.drawing import HAND, Mark
from ui.desk.guide import Step
from ui.desk.mending import Knot, nearest_knot, place_on
from ui.desk.work import Role, with_point

if TYPE_CHECKING:
    from ui.desk.desk import Desk

_CLICK_PX = 4.0
"""A press that moves less than this on the screen is a click."""

_STILL_PX = 1.0
"""A point, a handle or a stroke that moves no more than this on the screen has not been dragged."""

_STROKE = "stroke"


class Hands:
    """Turns napari's mouse events into actions of the desk.

    Parameters
    ----------
    desk : Desk
        Whose hands these are.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.pointed: tuple[str, int] = ("", -1)
        viewer = desk.canvas.viewer
        viewer.mouse_drag_callbacks.append(self.pressed)
        viewer.mouse_move_callbacks.append(self.moved)

    def let_go(self) -> None:
        """Stop listening."""
        viewer = self.desk.canvas.viewer
        for callbacks, own in (
            (viewer.mouse_drag_callbacks, self.pressed),
            (viewer.mouse_move_callbacks, self.moved),
        ):
            if own in callbacks:
                callbacks.remove(own)

    # -- what a press does ------------------------------------------------------------------------------------------

    def pressed(self, viewer: Any, event: Any) -> Generator[None, None, None]:  # noqa: ANN401 - napari's own
        """Follow one press until its release."""
        if event.button != 1 or event.modifiers or not self.desk.ready:
            return
        begin = self.desk.canvas.point_of(event)
        grip = self._grip(begin)
        if grip is None:
            yield from self._click_or_pan(event, begin)
            return
        camera = viewer.scene.camera
        camera.mouse_pan = False
        try:
            yield from self._drag(event, begin, grip)
        finally:
            camera.mouse_pan = True

    def _grip(self, point: Point) -> Role | Knot | str | None:
        """Tell what a press here takes hold of: a point, a handle, the begin of a stroke, or nothing."""
        desk = self.desk
        if not desk.picture.visible:
            return None
        role = self.point_at(point)
        if role is not None:
            return role
        if not desk.mender.active:
            return None
        if desk.mender.tool in ("redraw", "exclude"):
            return _STROKE
        if desk.mender.tool == "move":
            return nearest_knot(desk.mender.knots, point, desk.canvas.reach_px)
        return None

    def point_at(self, point: Point) -> Role | None:
        """Return the picked point under the pointer."""
        reach = self.desk.canvas.reach_px
        away = {role: math.dist(point, where) for role, where in self.desk.work.points.items()}
        near = min(away, key=lambda role: away[role], default=None)
        return near if near is not None and away[near] <= reach else None

    def _click_or_pan(self, event: Any, begin: Point) -> Generator[None, None, None]:  # noqa: ANN401
        start = event.pos
        still = True
        yield
        while event.type == "mouse_move":
            still = still and _apart(event.pos, start) <= _CLICK_PX
            yield
        if still and _apart(event.pos, start) <= _CLICK_PX:
            self.clicked(begin)

    def _drag(self, event: Any, begin: Point, grip: Role | Knot | str) -> Generator[None, None, None]:  # noqa: ANN401
        stroke = [begin]
        start = event.pos
        moved = False
        yield
        while event.type == "mouse_move":
            moved = moved or _apart(event.pos, start) > _STILL_PX
            stroke.append(self.desk.canvas.point_of(event))
            if moved:
                self._dragging(grip, stroke)
            yield
        stroke.append(self.desk.canvas.point_of(event))
        if moved or _apart(event.pos, start) > _STILL_PX:  # the release may be where no move was reported
            self._dropped(grip, stroke)
        elif grip == _STROKE:
            self.clicked(begin)
        else:
            self.desk.preview(None)

    # -- actions ----------------------------------------------------------------------------------------------------

    def clicked(self, point: Point) -> None:
        """Set the armed point here."""
        desk = self.desk
        if not desk.canvas.inside(point):
            return
        if not desk.scrubber.on_frame:
            desk.refresh()  # the hint says what to do
            return
        if desk.steps.current is Step.CHECK and desk.mender.tool == "path":
            desk.mender.lead_path(point)
        elif desk.picker.armed is not None:
            desk.picker.set_point(desk.picker.armed, point)

    def _dragging(self, grip: Role | Knot | str, stroke: Sequence[Point]) -> None:
        desk = self.desk
        if isinstance(grip, Knot):
            desk.canvas.overlay.hover(Mark(stroke[-1], "square", HAND))
        elif grip == _STROKE:
            desk.canvas.overlay.hover(Mark(stroke[-1], "cross", HAND))
        else:
            point = self._held_inside(stroke[-1])
            desk.preview(with_point(desk.history.work, grip, point, frame=desk.scrubber.frame_for_picks))  # type: ignore[arg-type]

    def _dropped(self, grip: Role | Knot | str, stroke: Sequence[Point]) -> None:
        desk = self.desk
        desk.canvas.overlay.hover(None)
        if isinstance(grip, Knot):
            desk.mender.move_wall(grip, stroke[-1])
        elif grip != _STROKE:
            desk.picker.set_point(grip, self._held_inside(stroke[-1]))  # type: ignore[arg-type]
        elif desk.mender.tool == "redraw":
            desk.mender.draw_wall(stroke)
        else:
            desk.mender.leave_out_between(stroke[0], stroke[-1])

    def _held_inside(self, point: Point) -> Point:
        record = self.desk.record
        if record is None:
            return point
        return (min(max(point[0], 0.0), record.columns - 1.0), min(max(point[1], 0.0), record.rows - 1.0))

    # -- hovering ---------------------------------------------------------------------------------------------------

    def moved(self, viewer: Any, event: Any) -> None:  # noqa: ANN401, ARG002 - napari's own
        """Link the plots with the pointer on the image."""
        desk = self.desk
        if not desk.ready or event.is_dragging:
            return
        measured = desk.measuring.shown.measured
        place = None
        if measured is not None and desk.picture.visible:
            place = place_on(measured.reading, desk.canvas.point_of(event))
        if place is None or measured is None:
            self.point_out("", -1)
            return
        width = float(measured.reading.limbs[place.limb].profile.diameter_px[place.index])
        near = place.distance_px <= max(desk.canvas.reach_px, 0.75 * width if math.isfinite(width) else 0.0)
        self.point_out(place.limb if near else "", place.index if near else -1)

    def point_out(self, limb: str, index: int) -> None:
        """Mark one place of a limb on the image and in its plot; index -1 for none."""
        if (limb, index) == self.pointed:
            return
        self.pointed = (limb, index)
        desk = self.desk
        measured = desk.measuring.shown.measured
        mark = None
        if measured is not None and limb in measured.reading.limbs and index >= 0:
            profile = measured.reading.limbs[limb].profile
            if index < len(profile.x_px) and math.isfinite(float(profile.x_px[index])):
                mark = Mark((float(profile.x_px[index]), float(profile.y_px[index])), "ring", INKS[limb].colour)
        desk.canvas.overlay.hover(mark)
        desk.picture.draw_knots()
        for view in desk.views:
            point_out = getattr(view, "point_out", None)
            if point_out is not None:
                point_out(limb, index if mark is not None else -1)


def _apart(one: Sequence[float], other: Sequence[float]) -> float:
    """How far apart two places on the screen are, px."""
    return float(max(abs(one[0] - other[0]), abs(one[1] - other[1])))
