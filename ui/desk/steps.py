"""The steps of the open file: which one is open, when it is done, and what the hints about it depend on.

What the steps are and what to do next is said in words by :mod:`ui.desk.guide`, which knows no desk; here the desk is
looked at for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ui.desk import guide
from ui.desk.guide import Situation, Step

if TYPE_CHECKING:
    from ui.desk.desk import Desk


class Steps:
    """The steps of the desk.

    Parameters
    ----------
    desk : Desk
        Whose steps these are.

    Attributes
    ----------
    current : Step
        The step that is open.
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self.current = Step.FRAME
        self._checked: object = None

    @property
    def situation(self) -> Situation:
        """What the hints depend on."""
        desk = self._desk
        measured = desk.measuring.shown.measured
        fresh = desk.measuring.fresh and measured is not None
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
            refused=bool(desk.measuring.shown.problem) and not desk.measuring.busy,
            doubtful=desk.mender.doubtful if fresh else 0,
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
            self.current = Step(step)
            desk.picker.disarm()
            desk.refresh()

    def accept(self) -> None:
        """Go on: the open step is done."""
        desk = self._desk
        if not desk.ready:
            return
        if self.current is Step.FRAME and desk.work.frame != desk.scrubber.frame_for_picks and not desk.work.points:
            desk.scrubber.measure_this_frame()
        if self.current is Step.CHECK and desk.measuring.fresh:
            self._checked = desk.measuring.shown.key
        if self.current is Step.KEEP:
            (desk.keeper.next_file if desk.keeper.is_saved and desk.list.has_next else desk.keeper.save)()
            return
        self.go(guide.next_step(self.situation))

    def begin(self) -> None:
        """Open the first step that a file just opened leaves to be done."""
        self.current = guide.first_open(self.situation)

    def forget(self) -> None:
        """Take nothing for checked any more: the file is put away."""
        self._checked = None
