"""A reading list at the desk: the next frame with one key, entries in the record, a lock that asks once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from qca.errors import QcaError
from ui.desk import guide
from ui.desk.guide import Step
from ui.desk.work import work_of

if TYPE_CHECKING:
    from ui.desk.desk import Desk
    from ui.desk.listed_reads import ListedReads

IN_THE_RECORD = (
    "On a reading list the reading goes into the record and nowhere else, so that nobody meets an earlier result. "
    "Reports and tables come when the list is unblinded."
)

LOCK, LATER = "Lock and go on", "Go on, lock later"


class Reads:
    """The desk's side of a reading list, while one is open.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.list: ListedReads | None = None

    @property
    def listed(self) -> bool:
        """True when the open file is the current read of a list."""
        return self.list is not None and self.list.current is not None and self.desk.file == self.list.current

    @property
    def unopened(self) -> str:
        """Code of the read whose copy cannot be opened; ``""`` when it is open, or nothing is to be read."""
        if self.list is None or self.list.current is None or self.listed or self.list.is_done:
            return ""
        return self.list.code

    @property
    def ended(self) -> str:
        """Why no frame of the list is open, in words; ``""`` while one is, or should be."""
        return "" if self.list is None or self.listed or self.unopened else self.list.ended

    @property
    def reader(self) -> str:
        """Code of the reader whose list is open; ``""`` for none."""
        return "" if self.list is None else self.list.reader

    @property
    def home(self) -> Path:
        """Folder of the autosave: of its own for a list, so that a coded copy opened without it brings nothing back."""
        if self.list is None or self.desk.list is not self.list:
            return self.desk.home
        return self.desk.home / "lists" / self.list.name

    def keeps_in(self) -> bool:
        """Say that nothing is written into files while a list is open; tells whether one is."""
        if self.list is not None:
            self.desk.say(IN_THE_RECORD)
        return self.list is not None

    def shuts_out(self, document: Path) -> bool:
        """Say that no points made earlier are opened while a list is open; tells whether one is."""
        if self.list is not None:
            name = document.name
            self.desk.say(
                f"{name} is not opened while a reading list is open, because points made earlier would break the "
                f"independence of the reads: set the points yourself, or close the window and open {name} without the "
                "list.",
                alarm=True,
            )
        return self.list is not None

    # -- opening ----------------------------------------------------------------------------------------------------

    def ask_and_open(self) -> None:
        """Ask for the list's folder and the reader, and open the first read that waits."""
        folder = self.desk.prompts.folder("Folder of the reading list", Path.cwd())
        reader = self.desk.prompts.text("Your reader code on this list") if folder is not None else None
        if folder is not None and reader:
            self.open(folder, reader)

    def open(self, folder: Path, reader: str, *, place: str | None = None, early: bool = False) -> bool:
        """Open a reader's list; see `ListedReads`. False when it cannot be opened; the notice says why."""
        from ui.desk.listed_reads import ListedReads

        try:
            found = ListedReads(folder, reader, place=place, early=early)
        except QcaError as error:
            self.desk.say(str(error), alarm=True)
            return False
        except ModuleNotFoundError as error:
            text = f"Reading lists need the package {error.name}: python -m pip install -e '.[batch]'"
            self.desk.say(text, alarm=True)
            return False
        if not self.leave():
            found.close()
            return False
        self.close()
        self.list = self.desk.list = found
        self.go_on()
        return True

    def go_on(self) -> None:
        """Open the next read that waits.

        What was open is put away first: whatever happens to the next copy, no earlier result is left on the screen.
        """
        listing, desk = self.list, self.desk
        if listing is None:
            return
        try:
            path = listing.next()
            standing = listing.latest()
        except QcaError as error:
            if listing.is_done or not self.listed:
                self._put_away(Step.FRAME)
            desk.say(str(error), alarm=True)
            return
        self._put_away(Step.FRAME if path is None else Step.KEEP)
        if path is None:
            desk.say(listing.ended)
            return
        if not desk.opener.open_frames(path):
            self._say_unopened(path)
            return
        if standing is not None and not desk.history.work.touched:
            desk.change(work_of(standing.picks, standing.settings), "took up the entered reading")
            desk.scrubber.back_to_points()
        elif listing.frame is not None and desk.work.frame is None and desk.scrubber.frame_for_picks is not None:
            desk.scrubber.show(listing.frame)
            desk.change(replace(desk.history.work, frame=listing.frame), f"frame {listing.frame} of the list")
        desk.steps.go(guide.first_open(desk.steps.situation))

    # -- the read that is open --------------------------------------------------------------------------------------

    def enter(self) -> bool:
        """Enter the reading shown into the record; False when it could not be entered."""
        desk, measured = self.desk, self.desk.measured
        if self.unopened:
            desk.say(f"There is nothing to enter: the frame of {self.unopened} could not be opened.", alarm=True)
            return False
        if self.list is None or measured is None:
            desk.say("There is no reading of the work as it stands yet: wait for it, or set the missing points.")
            return False
        try:
            self.list.enter(measured.reading)
        except QcaError as error:
            desk.say(str(error), alarm=True)
            return False
        desk.keeper.note_saved()
        desk.say(f"Entered under {self.list.code}. It can be changed until it is locked.")
        return True

    def next(self) -> None:
        """Enter what is new, ask once whether to lock it, and open the next read."""
        listing, desk = self.list, self.desk
        if listing is None or not self.leave():
            return
        if self.listed and listing.state == "open" and desk.keeper.is_saved:
            answer = desk.prompts.choose(
                f"Lock the reading of {listing.code}? A locked reading is only changed after an unlock with a reason.",
                (LOCK, LATER),
            )
            if answer is None:
                return
            if answer == LOCK and not self._do(listing.lock):
                return
        self.go_on()

    def refuse(self) -> None:
        """Enter that the frame cannot be read, and why; then open the next read."""
        listing = self.list
        if listing is None:
            self.desk.say("Only a frame of a reading list can be entered as not readable: open the list first.")
            return
        if not (self.listed or self.unopened):
            self.desk.say(self.ended or "No frame of the reading list is open.")
            return
        reason = self.desk.prompts.text(f"Why can {listing.code} not be read? The reason stays in the record.")
        if reason and self._do(lambda: listing.refuse(reason)):
            self.go_on()

    def leave(self) -> bool:
        """Enter the reading before its file is left; False when that failed and the file should stay open."""
        desk = self.desk
        if self.list is None or not self.listed or self.list.state == "locked":
            return True
        if desk.keeper.is_saved or desk.measured is None:
            return True
        return self.enter()

    def close(self) -> None:
        """Let go of the list."""
        if self.list is not None:
            self.list.close()
            self.list = None

    def _put_away(self, step: Step) -> None:
        """Leave nothing of the file on the screen, and open a step."""
        self.desk.put_away()
        self.desk.picture.blank()
        self.desk.steps.current = step

    def _say_unopened(self, path: Path) -> None:
        """Say which code cannot be opened, why, and what the reader can do."""
        desk, code = self.desk, self.unopened
        why = (
            f"it cannot be used ({desk.notice.text.rstrip('.')})"
            if path.exists() and desk.notice is not None
            else "it is missing"
        )
        desk.say(
            f"The copy of {code} cannot be opened: {path.name} should be in {path.parent}, and {why}. Tell the "
            f"coordinator, and go on with the next frame; or enter that {code} cannot be read.",
            alarm=True,
        )

    def _do(self, action: Callable[[], None]) -> bool:
        try:
            action()
        except QcaError as error:
            self.desk.say(str(error), alarm=True)
            return False
        return True
