"""The desk itself: one open file, the work on it, and the window that shows both.

Everything flows one way: an action makes a new `Work`, the history takes it, the journal writes it down, the measuring
process is asked, and `refresh` draws whatever there is now. No widget holds a state of its own that matters.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np

from qca.cine.filling import RunMarks
from qca.errors import QcaError
from qca.frames.record import FrameFile
from qca.frames.source import FrameSource
from ui.desk import guide
from ui.desk.canvas import Canvas
from ui.desk.drawing import NOTHING, Segments, marks, segments, shaft_segments
from ui.desk.guide import Situation, Step
from ui.desk.hands import Hands
from ui.desk.history import History
from ui.desk.inks import Look
from ui.desk.journal import Journal
from ui.desk.keeper import Keeper
from ui.desk.lazy_frames import LazyFrames
from ui.desk.measuring import Measuring
from ui.desk.mender import Mender
from ui.desk.relay import Relay
from ui.desk.run_scan import RunScan
from ui.desk.work import CATHETER_ROLES, NO_SCALE, Role, ScaleChoice, Work, with_point, without_point
from ui.desk.worklist import PathList, WorkList

if TYPE_CHECKING:
    from napari.viewer import Viewer

    from ui.desk.prompts import Prompts


class View(Protocol):
    """Something that shows the desk: the guided column, the strip, the cards."""

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""


@dataclass(frozen=True, slots=True)
class Notice:
    """A message in the window; ``actions`` are (text of a button, what it does)."""

    text: str
    alarm: bool = False
    actions: tuple[tuple[str, Callable[[], None]], ...] = ()


class Desk:
    """Measuring with eyes and hands.

    Parameters
    ----------
    viewer : napari.Viewer
        The window.
    home : Path
        Folder of the autosave.
    prompts : Prompts
        How the user is asked.
    look : Look
        Colours.
    """

    def __init__(self, viewer: Viewer, *, home: Path, prompts: Prompts, look: Look) -> None:
        self.viewer = viewer
        self.home = home
        self.prompts = prompts
        self.look = look
        self.relay = Relay()
        self.canvas = Canvas(viewer)
        self.keeper = Keeper(self)
        self.measuring = Measuring(self.relay.call, self._computed, self.keeper.reported)
        self.mender = Mender(self)
        self.hands = Hands(self)
        self.canvas.rescaled = self._rescaled
        self.views: list[View] = []
        self.file: Path | None = None
        self.frames: LazyFrames | None = None
        self.history = History(Work())
        self.journal: Journal | None = None
        self.list: WorkList = PathList([])
        self.shown = 0
        self.step = Step.FRAME
        self.live: Work | None = None
        self.run_marks: RunMarks | None = None
        self.notice: Notice | None = None
        self.drawing_shown = True
        self._armed: Role | None = None
        self._begun = False
        self._checked: object = None
        self._to_look_at = False
        self._scan: RunScan | None = None
        self._drawn: tuple[object, ...] = ()
        self._closed = False
        viewer.dims.events.current_step.connect(self._stepped)

    # -- what there is ----------------------------------------------------------------------------------------------

    @property
    def ready(self) -> bool:
        """True when a file is open."""
        return self.frames is not None and not self._closed

    @property
    def record(self) -> FrameFile | None:
        """What the file's header says."""
        return None if self.frames is None else self.frames.source.record

    @property
    def work(self) -> Work:
        """The work as it stands; during a drag, as it would be if the drag ended here."""
        return self.live if self.live is not None else self.history.work

    @property
    def frame_for_picks(self) -> int | None:
        """The shown frame as the picks name it: None for a still."""
        return self.shown if self.frames is not None and len(self.frames) > 1 else None

    @property
    def on_frame(self) -> bool:
        """True when the frame shown is the one the points belong to."""
        return self.work.frame is None or not self.work.points or self.work.frame == self.shown

    @property
    def drawing_visible(self) -> bool:
        """True when lines and points are on the screen."""
        return self.ready and self.drawing_shown and self.on_frame

    @property
    def armed(self) -> Role | None:
        """The point that the next click sets."""
        work = self.work
        if self._armed is not None:
            return self._armed
        if self.step is Step.SCALE and work.scale.way == "catheter":
            return next((role for role in CATHETER_ROLES if work.point(role) is None), None)
        if self.step is Step.POINTS:
            return next(iter(work.missing), None)
        return None

    @property
    def situation(self) -> Situation:
        """What the hints depend on."""
        measured = self.measuring.shown.measured
        fresh = self.measuring.fresh and measured is not None
        return Situation(
            work=self.work,
            file=self.file.name if self.file is not None and self.ready else "",
            frames=0 if self.frames is None else len(self.frames),
            shown=self.shown,
            suggested=None if self.run_marks is None else self.run_marks.suggested,
            step=self.step,
            armed=self.armed,
            busy=self.measuring.busy,
            measured=fresh,
            doubtful=self.mender.doubtful if fresh else 0,
            checked=fresh and self._checked == self.measuring.shown.key,
            planned=self.measuring.shown.worksheet is not None,
            saved=self.keeper.is_saved,
            tool=self.mender.tool,
            more=self.list.has_next,
        )

    # -- files ------------------------------------------------------------------------------------------------------

    def open(self, paths: Sequence[Path]) -> bool:
        """Open files, a folder, picks or a reading; several files become the list.

        Returns
        -------
        bool
            False when nothing could be opened; the notice says why, and what was open stays open.
        """
        return self.keeper.open(paths)

    def open_frames(self, path: Path, work: Work | None = None) -> bool:
        """Open a file of frames.

        Parameters
        ----------
        path : Path
            The file.
        work : Work or None
            Work to begin with, from a document; else what the autosave has, else nothing.
        """
        try:
            source = FrameSource(path)
            first = work.frame if work is not None else None
            source.pixels(min(first or 0, source.count - 1))  # a damaged file must not take the place of a good one
        except (QcaError, MemoryError) as error:
            self.say(str(error) or "There is not enough memory for this file: close other programs.", alarm=True)
            return False
        self.put_away()
        self.file = path
        self.frames = LazyFrames(source, lambda text: self.relay.call(lambda: self.say(text, alarm=True)))
        self.journal = Journal(self.home, path)
        self._begun = False
        self.notice = None
        self.history = History(Work())
        if work is not None:
            self.history.push(work, "opened")
        else:
            self.keeper.take_up()
        self.list.begin_at(path)
        begin = self.work.frame
        self.shown = min(begin, source.count - 1) if begin is not None else 0
        self._to_look_at = True
        self.canvas.show_frames(self.frames, self.shown, source.record.pixel_aspect, self._grey_window())
        if source.count > 2:
            scanned = self.frames
            self._scan = RunScan(source, lambda found: self.relay.call(lambda: self._scanned(scanned, found)))
        self._follow()
        self.step = guide.first_open(self.situation)
        if source.record.warnings and self.notice is None:
            self.say(" ".join(source.record.warnings[:2]))
        self.refresh()
        return True

    def put_away(self) -> None:
        """Let go of the file that was open; its work is in the journal."""
        if self._scan is not None:
            self._scan.close()
            self._scan = None
        if self.frames is not None:
            self.frames.close()
        self.measuring.clear()
        self.keeper.forget()
        self.run_marks, self.live, self._armed, self._checked = None, None, None, None
        self.drawing_shown = True

    def _grey_window(self) -> tuple[float, float]:
        """Grey values of the shown frame without its outermost half percents; for the eye only."""
        assert self.frames is not None  # noqa: S101 - called when frames were opened
        low, high = np.percentile(self.frames.frame(self.shown), (0.5, 99.5))
        return (float(low), float(high)) if high > low else (float(low), float(low) + 1.0)

    def auto_window(self) -> None:
        """Choose the grey window from the shown frame."""
        if self.ready:
            self.canvas.window = self._grey_window()
            self.refresh()

    def _scanned(self, frames: LazyFrames, found: RunMarks) -> None:
        if frames is self.frames:
            self.run_marks = found
            self.refresh()

    # -- frames -----------------------------------------------------------------------------------------------------

    def show_frame(self, index: int) -> None:
        """Show a frame of the run."""
        if self.frames is not None:
            self.canvas.show_frame(min(max(index, 0), len(self.frames) - 1))

    def _stepped(self) -> None:
        if self.frames is not None and self.viewer.dims.ndim > 2 and not self._closed:
            shown = int(self.viewer.dims.current_step[0])
            if shown != self.shown:
                self.shown = shown
                self.refresh()

    def show_suggested(self) -> None:
        """Show the suggested frame."""
        if self.run_marks is not None and self.run_marks.suggested is not None:
            self.show_frame(self.run_marks.suggested)

    def back_to_points(self) -> None:
        """Show the frame that the points belong to."""
        if self.work.frame is not None:
            self.show_frame(self.work.frame)

    def measure_this_frame(self) -> None:
        """Make the shown frame the measured one; points stay where they are."""
        if self.ready:
            frame = self.frame_for_picks
            self.change(replace(self.work, frame=frame), f"measure frame {frame}")

    # -- steps ------------------------------------------------------------------------------------------------------

    def go(self, step: Step) -> None:
        """Open a step."""
        if self.ready:
            self.step = Step(step)
            self._armed = None
            self.refresh()

    def accept(self) -> None:
        """Go on: the open step is done."""
        if not self.ready:
            return
        if self.step is Step.FRAME and self.work.frame != self.frame_for_picks and not self.work.points:
            self.measure_this_frame()
        if self.step is Step.CHECK and self.measuring.fresh:
            self._checked = self.measuring.shown.key
        if self.step is Step.KEEP:
            (self.keeper.next_file if self.keeper.is_saved and self.list.has_next else self.keeper.save)()
            return
        self.go(guide.next_step(self.situation))

    # -- work -------------------------------------------------------------------------------------------------------

    def change(self, work: Work, label: str, merge: str = "") -> None:
        """Take a step: into the history, onto the disk, to the measuring process, onto the screen."""
        self.live = None
        if self.history.push(work, label, merge) and self.journal is not None:
            if self._begun:
                self.journal.step(self.history.states[self.history.at])
            else:
                self.journal.begin(self.history)
                self._begun = True
            self._ask_about_disk()
        self._follow()
        self.refresh()

    def undo(self) -> None:
        """Take the last step back."""
        self._travel(self.history.undo)

    def redo(self) -> None:
        """Do the step again that was taken back."""
        self._travel(self.history.redo)

    def _travel(self, move: Callable[[], bool]) -> None:
        self.live = None
        if not move():
            return
        if self.journal is not None and self._begun:
            self.journal.moved(self.history.at)
            self._ask_about_disk()
        if self.work.frame is not None and self.work.points:
            self.show_frame(self.work.frame)
        self._follow()
        self.refresh()

    def continue_with(self, history: History) -> None:
        """Take up the steps of an earlier session."""
        self.history = history
        if self.journal is not None:
            self.journal.begin(history)
            self._begun = True

    def _ask_about_disk(self) -> None:
        if self.journal is not None and self.journal.broken:
            self.say(self.journal.broken, alarm=True)

    def preview(self, work: Work | None) -> None:
        """Show what the work would be if the drag ended here; None ends it without a step."""
        self.live = work
        self._follow()
        self.refresh()

    def _follow(self) -> None:
        self.measuring.follow(self.file if self.ready else None, self.work, dragging=self.live is not None)

    def set_point(self, role: Role, point: tuple[float, float]) -> None:
        """Set or move a point."""
        verb = "set" if self.history.work.point(role) is None else "moved"
        work = with_point(self.history.work, role, point, frame=self.frame_for_picks)
        self._armed = None
        self.change(work, f"{verb} {guide.ROLE_TITLES[role]}")
        if self.step is Step.POINTS and not work.missing and verb == "set":
            self.go(Step.CHECK)

    def remove_point(self, role: Role) -> None:
        """Take a point away."""
        self.change(without_point(self.history.work, role), f"took away {guide.ROLE_TITLES[role]}")

    def arm(self, role: Role) -> None:
        """Let the next click set this point."""
        if not self.ready:
            return
        work = self.work
        if role in CATHETER_ROLES:
            self.step = Step.SCALE
            if work.scale.way != "catheter":
                self.set_scale(replace(work.scale, way="catheter"), "catheter as scale")
        else:
            self.step = Step.POINTS
        self._armed = role
        self.refresh()

    def set_scale(self, choice: ScaleChoice, label: str, merge: str = "") -> None:
        """Choose where the scale comes from."""
        self.change(replace(self.history.work, scale=choice), label, merge)

    def without_scale(self) -> None:
        """Go on in pixels."""
        self.set_scale(NO_SCALE, "no scale")

    def toggle_segment(self) -> None:
        """Switch between a bifurcation and one segment; the points of either are kept."""
        if self.ready:
            work = self.history.work
            self._armed = None
            self.change(replace(work, segment=not work.segment), "a bifurcation" if work.segment else "one segment")

    # -- window -----------------------------------------------------------------------------------------------------

    def say(self, text: str, *, alarm: bool = False, actions: tuple[tuple[str, Callable[[], None]], ...] = ()) -> None:
        """Show a message in the window."""
        self.notice = Notice(text, alarm, actions)
        self.refresh()

    def hush(self) -> None:
        """Take the message away."""
        self.notice = None
        self.refresh()

    def toggle_drawing(self) -> None:
        """Hide lines and points for a free look at the frame, or show them again."""
        self.drawing_shown = not self.drawing_shown
        self.refresh()

    def look_at_vessel(self) -> None:
        """Bring the measured vessel into view, or the whole frame where nothing is measured."""
        measured = self.measuring.shown.measured
        if measured is None:
            self.viewer.reset_view()
            return
        profiles = [limb.profile for limb in measured.reading.limbs.values()]
        self.canvas.look_at(np.concatenate([np.column_stack([p.x_px, p.y_px]) for p in profiles]))

    def set_look(self, look: Look) -> None:
        """Change the colours."""
        self.look = look
        self.refresh()

    def _computed(self) -> None:
        self.keeper.compare_with_opened()
        self.refresh()
        if self._to_look_at and self.measuring.fresh and self.drawing_visible:
            self._to_look_at = False
            self.look_at_vessel()

    def refresh(self) -> None:
        """Show everything as it is now."""
        if self._closed:
            return
        self.measuring.plan(
            self.history.work, wanted=self.step >= Step.PLAN or self.measuring.shown.worksheet is not None
        )
        self.mender.refresh()
        self._draw()
        for view in self.views:
            view.show_desk(self)

    def _draw(self) -> None:
        if not self.ready:
            return
        self.canvas.show_drawing(shown=self.drawing_visible)
        shown = self.measuring.shown
        measured = shown.measured
        now = (id(measured), id(shown.shaft), self.work.own_edits, self.measuring.fresh or self.live is not None)
        if now != self._drawn:
            self._drawn = now
            self.canvas.draw(self._segments(), [] if measured is None else marks(measured.reading, self.work.own_edits))
        self.canvas.draw_knots([knot.point for knot in self.mender.knots])
        self.canvas.draw_points(self.work.points, self.armed)

    def _rescaled(self) -> None:
        if self.ready:
            self.mender.refresh()
            self.canvas.draw_knots([knot.point for knot in self.mender.knots])

    def _segments(self) -> Segments:
        shown = self.measuring.shown
        if shown.measured is not None:
            lines = segments(shown.measured.reading)
            if not self.measuring.fresh and self.live is None:  # old lines stand back until the new ones are there
                return Segments(lines.data, lines.colour * [1, 1, 1, 0.4], np.zeros_like(lines.cased))
            return lines
        if shown.shaft is not None and shown.shaft.left_px is not None and shown.shaft.right_px is not None:
            return shaft_segments(shown.shaft.left_px, shown.shaft.right_px)
        return NOTHING

    def may_close(self) -> bool:
        """Ask before work is lost that the autosave could not write."""
        broken = self.journal is not None and bool(self.journal.broken)
        if not broken or self.keeper.is_saved or not self.history.work.touched:
            return True
        return self.prompts.confirm(
            "The autosave could not be written. Close all the same, and lose this work?", "Close"
        )

    def close(self) -> None:
        """End everything that runs; safe during a computation."""
        if self._closed:
            return
        self._closed = True
        self.relay.close()
        self.hands.let_go()
        if self._scan is not None:
            self._scan.close()
        if self.frames is not None:
            self.frames.close()
        self.measuring.close()
        self.views.clear()
