"""The steps of the open file: which one is open, when it is done, and what the hints about it depend on.

What the steps are is known to :mod:`ui.desk.guide`, what to do next in words to :mod:`ui.desk.hints`; neither knows a
desk. Here the desk is looked at for them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ui.desk import guide
from ui.desk.guide import Situation, Step
from ui.desk.scale_seen import Standing, scale_seen

if TYPE_CHECKING:
    from ui.desk.desk import Desk

NO_SCALE_YET = (
    "There is no scale yet: click two points along the catheter and say its size, or choose another way. Without a "
    "scale every length stays in pixels, and nothing can be planned."
)


class Steps:
    """The steps of the desk.

    Parameters
    ----------
    desk : Desk
        Whose steps these are.

    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._current = Step.FRAME
        self._checked: object = None

    @property
    def current(self) -> Step:
        """The step that is open; a mending tool stays in the hand in its own only."""
        return self._current

    @current.setter
    def current(self, step: Step) -> None:
        self._current = Step(step)
        if self._current is not Step.CHECK:
            self._desk.mender.lay_down()

    @property
    def situation(self) -> Situation:
        """What the hints depend on."""
        desk = self._desk
        measured = desk.measuring.shown.measured
        fresh = desk.measuring.fresh and measured is not None
        scale = scale_seen(desk)
        return Situation(
            work=desk.work,
            file=desk.file.name if desk.file is not None and desk.ready else "",
            frames=0 if desk.record is None else desk.record.count,
            shown=desk.scrubber.shown,
            suggested=None if desk.run_marks is None else desk.run_marks.suggested,
            step=self.current,
            armed=desk.picker.armed,
            busy=desk.measuring.busy,
            provisional=desk.measuring.standing == "provisional",
            measured=fresh,
            refused=self.refused,
            doubtful=desk.mender.doubtful if fresh else 0,
            scale=_no_scale_found(desk) if scale is None else scale.standing,
            checked=fresh and self._checked == desk.measuring.shown.key,
            planned=desk.measuring.shown.worksheet is not None,
            saved=desk.keeper.is_saved,
            tool=desk.mender.tool,
            more=desk.list.has_next,
            listed=desk.reads.listed,
            unopened=desk.reads.unopened,
            ended=desk.reads.ended,
        )

    def go(self, step: Step) -> None:
        """Open a step."""
        desk = self._desk
        if desk.ready:
            self.current = step
            desk.picker.disarm()
            desk.refresh()

    def accept(self) -> None:
        """Go on: the open step is done."""
        desk = self._desk
        if not desk.ready:
            return
        if self.current is Step.FRAME and desk.work.frame != desk.scrubber.frame_for_picks and not desk.work.points:
            desk.scrubber.measure_this_frame()
        if self.current is Step.SCALE and not (desk.work.has_scale or desk.work.scale.way == "none"):
            desk.say(NO_SCALE_YET, actions=(("Stay in pixels", self._stay_in_pixels),))
            return
        if self.current in (Step.POINTS, Step.CHECK) and self.refused:
            desk.refresh()  # the hint says what to do
            return
        if self.current is Step.CHECK and desk.measuring.fresh:
            self._checked = desk.measuring.shown.key
        if self.current is Step.KEEP:
            (desk.keeper.next_file if desk.keeper.is_saved and desk.list.has_next else desk.keeper.save)()
            return
        self.go(guide.next_step(self.situation))

    @property
    def refused(self) -> bool:
        """True when the work as it stands cannot be measured."""
        return bool(self._desk.measuring.shown.problem) and not self._desk.measuring.busy

    def _stay_in_pixels(self) -> None:
        self._desk.notice = None
        self._desk.picker.without_scale()
        self.go(Step.POINTS)

    def begin(self) -> None:
        """Open the first step that a file just opened leaves to be done."""
        self.current = guide.first_open(self.situation)

    def forget(self) -> None:
        """Take nothing for checked any more: the file is put away."""
        self._checked = None


def _no_scale_found(desk: Desk) -> Standing:
    """How a scale stands that has no value: one that could not be had from the catheter is no good one."""
    shaft = desk.measuring.shown.shaft
    return "doubt" if desk.work.has_scale and shaft is not None and shaft.problem else "good"
