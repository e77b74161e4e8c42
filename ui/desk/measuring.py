"""What has been computed for the work as it stands, and what is being computed. No Qt.

Every change of the work is followed: what is wanted is asked for, what is no longer wanted is dropped when it comes.
While a point is dragged, a glance is asked for at each move, and the measurement as soon as the glance of the place
where the point rests is there. Glances, and answers to places of a moment ago, are never the reading.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ui.desk import messages
from ui.desk.calculator import Answer, Calculator
from ui.desk.shown import Key, Measured, Shown, Standing
from ui.desk.work import Work, picks_of

REMEMBERED = 24
"""Readings kept so that undo and redo show theirs at once."""


@dataclass(slots=True)
class Wanted:
    """What the work needs now, per kind of job; None = nothing."""

    measure: Key | None = None
    shaft: Key | None = None
    plan: tuple[str, object] | None = None


class Measuring:
    """Keeps readings in step with the work.

    Parameters
    ----------
    call : callable
        Runs an action in the window's thread, soon; safe from any thread.
    changed : callable
        Called, in the window's thread, when there is something new to show.
    reported : callable
        Called with (files written, what is wrong) when a report was asked for.
    """

    def __init__(
        self,
        call: Callable[[Callable[[], None]], None],
        changed: Callable[[], None],
        reported: Callable[[list[str], str], None],
    ) -> None:
        self._call, self._changed, self._reported = call, changed, reported
        self._wanted = Wanted()
        self._keys: dict[int, Any] = {}
        self._known: OrderedDict[Key, Measured] = OrderedDict()
        self._dragging_since: int | None = None
        self._last_ticket = 0
        self._measured_for: Key | None = None  # the key that was measured, or is being measured, last
        self.shown = Shown()
        self.calculator = Calculator(self._arrived)

    # -- what there is ----------------------------------------------------------------------------------------------

    @property
    def fresh(self) -> bool:
        """True when the reading shown belongs to the work as it stands, and is no glance."""
        measured = self.shown.measured
        return measured is not None and not measured.provisional and self.shown.key == self._wanted.measure

    @property
    def standing(self) -> Standing:
        """What the reading shown is worth; a provisional one is there to steer a point by, and for nothing else."""
        if self.shown.measured is not None and self.shown.measured.provisional:
            return "provisional"
        return "current" if self.fresh else "earlier"

    @property
    def busy(self) -> bool:
        """True while the reading of the work as it stands is being computed."""
        wanted = self._wanted.measure
        return wanted is not None and self.shown.key != wanted and not self.shown.problem

    @property
    def planning(self) -> bool:
        """True while the worksheet is being computed."""
        wanted = self._wanted.plan
        return wanted is not None and self.shown.worksheet_key != wanted and not self.shown.worksheet_problem

    # -- following the work -----------------------------------------------------------------------------------------

    def follow(self, file: Path | None, work: Work, *, dragging: bool = False) -> None:
        """Ask for what the work needs now.

        Parameters
        ----------
        file : Path or None
            The open file.
        work : Work
            Decisions as they stand, or as they would be if the drag ended here.
        dragging : bool
            A drag is going on.
        """
        if not dragging:
            self._dragging_since = None
        elif self._dragging_since is None:
            self._dragging_since = self._last_ticket + 1
        picks = picks_of(work)
        key = None if file is None or work.missing else (str(file), picks, work.settings)
        self._follow_measure(key, dragging=dragging)
        alone = replace(picks, proximal=None, distal=None, side=None, start=None, end=None, edits=())
        looks = file is not None and work.has_scale and (bool(work.missing) or bool(self.shown.problem))
        self._follow_shaft((str(file), alone, work.settings) if looks else None)

    def plan(self, work: Work, *, wanted: bool) -> None:
        """Ask for the worksheet of the reading shown, when it is wanted and can be had; never during a drag."""
        measured = self.shown.measured
        if self._dragging_since is not None:
            return
        if not wanted or measured is None or not self.fresh or work.segment or measured.reading.scale is None:
            if self._wanted.plan is not None and not self.busy:
                self._wanted.plan = None
                self.calculator.forget("plan")
                self.shown.worksheet, self.shown.worksheet_key, self.shown.worksheet_problem = None, None, ""
            return
        key = (measured.text, work.plan)
        if key == self._wanted.plan:
            return
        self._wanted.plan = key
        self.shown.worksheet_problem = ""
        self._ask("plan", {"reading": measured.text, **messages.plan_message(work)}, key)

    def report(self, file: Path, work: Work, folder: Path, *, planned: bool) -> None:
        """Write the report of the reading of the work as it stands into a folder."""
        if self.shown.measured is None or not self.fresh:
            return
        message = {"reading": self.shown.measured.text, "file": str(file), "folder": str(folder), "planned": planned}
        self._ask("report", {**message, **messages.plan_message(work)}, None)

    def clear(self) -> None:
        """Want nothing and show nothing: another file is opened."""
        for job in ("measure", "glance", "shaft", "plan"):
            self.calculator.forget(job)
        self._wanted, self.shown = Wanted(), Shown()
        self._dragging_since = self._measured_for = None

    def warm_up(self) -> None:
        """Start the measuring process: a file is open, and points will follow."""
        self.calculator.warm_up()

    def close(self) -> None:
        """End the measuring process, whatever it is doing."""
        self.calculator.close()

    def _follow_measure(self, key: Key | None, *, dragging: bool) -> None:
        if key == self._wanted.measure:
            if key is not None and not dragging:
                self._measure(key)
            return
        self._wanted.measure = key
        self.shown.problem = ""
        if key is None or key in self._known:
            for job in ("measure", "glance"):
                self.calculator.forget(job)
            self._measured_for = key
            if key is None:
                self.shown.measured, self.shown.key = None, None
            else:
                self._known.move_to_end(key)
                self.shown.measured, self.shown.key = self._known[key], key
        elif dragging:
            self.calculator.forget("measure")
            self._measured_for = None
            self._ask("glance", messages.message(key), key)
        else:
            self._measure(key)

    def _measure(self, key: Key) -> None:
        """Ask for the reading of the work as it stands, unless that was done."""
        if key != self._measured_for:
            self._measured_for = key
            self.calculator.forget("glance")
            self._ask("measure", messages.message(key), key)

    def _follow_shaft(self, key: Key | None) -> None:
        if key == self._wanted.shaft:
            return
        self._wanted.shaft = key
        if key is None:
            self.calculator.forget("shaft")
            self.shown.shaft = None
        else:
            self._ask("shaft", messages.message(key), key)

    def _ask(self, job: str, message: Mapping[str, Any], key: object) -> None:
        self._last_ticket = self.calculator.ask(job, message)
        self._keys[self._last_ticket] = key
        for ticket in [one for one in self._keys if one < self._last_ticket - 200]:
            del self._keys[ticket]

    # -- answers ----------------------------------------------------------------------------------------------------

    def _arrived(self, answer: Answer) -> None:
        """Read the answer, still in the calculator's thread; then hand it over to the window's."""
        measured = messages.measured_in(answer)
        self._call(lambda: self._take(answer, measured))

    def _take(self, answer: Answer, measured: Measured | None) -> None:
        key = self._keys.pop(answer.ticket, None)
        if answer.job == "report":
            self._reported(list(answer.result["written"]) if answer.result else [], answer.error)
            return
        if answer.job == "measure":
            self._take_reading(answer, key, measured)
        elif answer.job == "glance":
            self._take_glance(answer, key, measured)
        elif answer.job == "shaft":
            self._take_shaft(answer, key)
        else:
            self._take_plan(answer, key)

    def _take_reading(self, answer: Answer, key: Key | None, measured: Measured | None) -> None:
        if measured is not None and key is not None:
            self._known[key] = measured
            while len(self._known) > REMEMBERED:
                self._known.popitem(last=False)
        if key is not None and key == self._wanted.measure:
            self._measured_for = key
            self.shown.problem = answer.error
            self.shown.measured, self.shown.key, self.shown.seconds = measured, key, answer.seconds
        elif measured is not None and self._of_this_drag(answer):
            self.shown.measured, self.shown.key = measured, key
        else:
            return
        self._changed()

    def _take_glance(self, answer: Answer, key: Key | None, measured: Measured | None) -> None:
        """Show a glance; at the place where the point rests, measure. A glance that failed is left to the measurement.

        One of the place where the point was let go is worth showing too, until the reading is there.
        """
        here = key is not None and key == self._wanted.measure
        if here and key is not None and self._dragging_since is not None:
            self._measure(key)
        if measured is None or self.fresh or self.shown.problem or not (here or self._of_this_drag(answer)):
            return
        self.shown.measured, self.shown.key = measured, None
        self._changed()

    def _of_this_drag(self, answer: Answer) -> bool:
        return self._dragging_since is not None and answer.ticket >= self._dragging_since

    def _take_shaft(self, answer: Answer, key: Key | None) -> None:
        if key != self._wanted.shaft and not (self._dragging_since and answer.ticket >= self._dragging_since):
            return
        self.shown.shaft = messages.shaft_in(answer)
        self._changed()

    def _take_plan(self, answer: Answer, key: tuple[str, object] | None) -> None:
        if key is None or key != self._wanted.plan:
            return
        self.shown.worksheet_problem = answer.error
        self.shown.worksheet = answer.result["worksheet"] if answer.result else None
        self.shown.worksheet_key = key
        self._changed()
