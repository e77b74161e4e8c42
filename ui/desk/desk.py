"""The desk itself: one open file, the work on it, and the window that shows both.

Everything flows one way: an action makes a new `Work`, the history takes it, the journal writes it down, the measuring
process is asked, and `refresh` shows whatever there is now. No widget holds a state of its own that matters.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from qca.cine.filling import RunMarks
from qca.frames.record import FrameFile
from ui.desk.guide import Step
from ui.desk.hands import Hands
from ui.desk.history import History
from ui.desk.inks import Look
from ui.desk.keeper import Keeper
from ui.desk.measuring import Measuring
from ui.desk.mender import Mender
from ui.desk.notice import Notice
from ui.desk.open_file import OpenFile
from ui.desk.opener import Opener
from ui.desk.picker import Picker
from ui.desk.picture import Picture
from ui.desk.reads import Reads
from ui.desk.relay import Relay
from ui.desk.scrubber import Scrubber
from ui.desk.steps import Steps
from ui.desk.work import Work
from ui.desk.worklist import PathList, WorkList

if TYPE_CHECKING:
    from napari.viewer import Viewer

    from ui.desk.canvas import Canvas
    from ui.desk.prompts import Prompts
    from ui.desk.shown import Measured


class View(Protocol):
    """Something that shows the desk: the guided column, the strip, the cards."""

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""


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
        self.picture = Picture(self, viewer)
        self.scrubber = Scrubber(self, viewer)
        self.opener = Opener(self)
        self.keeper = Keeper(self)
        self.reads = Reads(self)
        self.measuring = Measuring(self.relay.call, self._computed, self.keeper.reported)
        self.steps = Steps(self)
        self.picker = Picker(self)
        self.mender = Mender(self)
        self.hands = Hands(self)
        self.views: list[View] = []
        self.opened: OpenFile | None = None
        self.history = History(Work())
        self.list: WorkList = PathList([])
        self.live: Work | None = None
        self.notice: Notice | None = None
        self._closed = False

    # -- what there is ----------------------------------------------------------------------------------------------

    @property
    def ready(self) -> bool:
        """True when a file is open."""
        return self.opened is not None and not self._closed

    @property
    def canvas(self) -> Canvas:
        """Where frames are shown and clicked."""
        return self.picture.canvas

    @property
    def file(self) -> Path | None:
        """The open file."""
        return None if self.opened is None else self.opened.path

    @property
    def record(self) -> FrameFile | None:
        """What the file's header says."""
        return None if self.opened is None else self.opened.record

    @property
    def run_marks(self) -> RunMarks | None:
        """Filling and motion of the run, once it was looked through."""
        return None if self.opened is None else self.opened.marks

    @property
    def work(self) -> Work:
        """The work as it stands; during a drag, as it would be if the drag ended here."""
        return self.live if self.live is not None else self.history.work

    @property
    def measured(self) -> Measured | None:
        """The reading of the work as it stands; None while there is none or a drag goes on: what may be kept."""
        return self.measuring.shown.measured if self.measuring.fresh and self.live is None else None

    # -- files ------------------------------------------------------------------------------------------------------

    def open(self, paths: Sequence[Path]) -> bool:
        """Open files, a folder, picks or a reading; several files become the list. False when nothing could be."""
        return self.opener.open(paths)

    def put_away(self) -> None:
        """Let go of the file that was open; its work is in the journal."""
        if self.opened is not None:
            self.opened.close()
        self.opened, self.history = None, History(Work())
        self.measuring.clear()
        self.opener.forget()
        self.keeper.forget()
        self.picker.disarm()
        self.mender.lay_down()
        self.steps.forget()
        self.live = None

    # -- work -------------------------------------------------------------------------------------------------------

    def change(self, work: Work, label: str, merge: str = "") -> None:
        """Take a step: into the history, onto the disk, to the measuring process, onto the screen."""
        self.live = None
        if self.history.push(work, label, merge) and self.opened is not None:
            self.opened.keep_step(self.history)
            self._ask_about_disk()
        self.follow()
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
        if self.opened is not None:
            self.opened.keep_place(self.history)
            self._ask_about_disk()
        if self.work.frame is not None and self.work.points:
            self.scrubber.show(self.work.frame)
        self.follow()
        self.refresh()

    def continue_with(self, history: History) -> None:
        """Take up the steps of an earlier session."""
        self.history = history
        if self.opened is not None:
            self.opened.begin_journal(history)

    @property
    def broken(self) -> str:
        """What is wrong with the autosave, in words; ``""`` when nothing."""
        return "" if self.opened is None else self.opened.journal.broken

    def _ask_about_disk(self) -> None:
        if self.broken:
            self.say(self.broken, alarm=True)

    def preview(self, work: Work | None) -> None:
        """Show what the work would be if the drag ended here; None ends it without a step."""
        self.live = work
        self.follow()
        self.refresh()

    def follow(self) -> None:
        """Have the work as it stands measured, or what it needs else."""
        self.measuring.follow(self.file if self.ready else None, self.work, dragging=self.live is not None)

    # -- window -----------------------------------------------------------------------------------------------------

    def say(self, text: str, *, alarm: bool = False, actions: tuple[tuple[str, Callable[[], None]], ...] = ()) -> None:
        """Show a message in the window."""
        self.notice = Notice(text, alarm, actions)
        self.refresh()

    def hush(self) -> None:
        """Take the message away."""
        self.notice = None
        self.refresh()

    def escape(self) -> None:
        """Put the mending tool back, and take the message away."""
        self.mender.lay_down()
        self.hush()

    def set_look(self, look: Look) -> None:
        """Change the colours."""
        self.look = look
        self.refresh()

    def _computed(self) -> None:
        self.opener.compare_with_opened()
        self.refresh()
        self.picture.look_at_first_reading()

    def refresh(self) -> None:
        """Show everything as it is now."""
        if self._closed:
            return
        self.measuring.plan(
            self.history.work, wanted=self.steps.current >= Step.PLAN or self.measuring.shown.worksheet is not None
        )
        self.mender.refresh()
        self.picture.refresh()
        for view in self.views:
            view.show_desk(self)

    def may_close(self) -> bool:
        """Enter a read of a list; ask before work is lost that could not be entered or autosaved."""
        if not self.reads.leave():
            question = "The reading could not be entered. Close all the same? The autosave keeps it on this machine."
            return self.prompts.confirm(question, "Close")
        if not self.broken or self.keeper.is_saved or not self.history.work.touched:
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
        if self.opened is not None:
            self.opened.close()
        self.reads.close()
        self.measuring.close()
        self.views.clear()
