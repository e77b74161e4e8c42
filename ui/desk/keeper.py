"""Save, report, next file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from qca.errors import QcaError
from ui.desk import keeping
from ui.desk.work import picks_of

if TYPE_CHECKING:
    from ui.desk.desk import Desk


class Keeper:
    """Keeps the desk's work in files.

    Parameters
    ----------
    desk : Desk
        Whose work this is.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.folder: Path | None = None
        self._own: dict[Path, str] = {}
        self._saved: object = None

    @property
    def is_saved(self) -> bool:
        """True when the work as it stands is in files of its own."""
        return self._saved is not None and self._saved == self._key()

    def _key(self) -> object:
        work = self.desk.history.work
        return (picks_of(work), work.settings)

    def forget(self) -> None:
        """Another file is opened."""
        self._saved = None

    # -- saving -----------------------------------------------------------------------------------------------------

    def save(self) -> None:
        """Save picks and reading, beside the frame or where they were saved last; a read of a list into its record."""
        if self.desk.reads.list is not None:
            self.desk.reads.enter()
        elif self.desk.file is not None:
            self._save_into(self.folder or self.desk.file.parent)

    def save_elsewhere(self) -> None:
        """Ask for a folder and save there, now and from now on."""
        if self.desk.file is None or self.desk.reads.keeps_in():
            return
        folder = self.desk.prompts.folder("Save measurements into", self.folder or self.desk.file.parent)
        if folder is not None:
            self.folder = folder
            self._save_into(folder)

    def _save_into(self, folder: Path) -> None:
        desk = self.desk
        measured = desk.measured
        if desk.file is None or measured is None:
            desk.say("There is no reading of the work as it stands yet: wait for it, or set the missing points.")
            return
        picks = picks_of(desk.history.work)
        files = keeping.measurement_files(picks, measured.text, keeping.stem_of(desk.file, picks.frame))
        lost = keeping.would_be_lost(folder, files, self._own)
        if lost:
            names = " and ".join(path.name for path in lost)
            if not desk.prompts.confirm(f"{names} in {folder} would be written over. Replace?", "Replace"):
                return
        try:
            self._own |= keeping.write_measurement(folder, files)
        except QcaError as error:
            desk.say(str(error), alarm=True, actions=(("Save elsewhere", self.save_elsewhere),))
            return
        self.note_saved()
        desk.say(f"Saved: {' and '.join(files)} in {folder}.")

    def count_as_saved(self) -> None:
        """Take the work as it stands for saved: it is what an opened reading holds."""
        self._saved = self._key()

    def note_saved(self) -> None:
        """Remember that the work as it stands was saved or entered."""
        self._saved = self._key()
        if self.desk.opened is not None:
            self.desk.opened.journal.saved(self.desk.history.at)

    def report(self) -> None:
        """Ask for a folder and write the report into it."""
        desk = self.desk
        if desk.reads.keeps_in():
            return
        if desk.file is None or desk.measured is None:
            desk.say("There is no reading of the work as it stands yet: the report needs one.")
            return
        folder = desk.prompts.folder("Write the report into", self.folder or desk.file.parent)
        if folder is not None:
            self.report_into(folder)

    def report_into(self, folder: Path) -> None:
        """Write the report into a folder of its own, named after the frame."""
        desk = self.desk
        if desk.file is None or desk.measured is None:
            return
        own = folder / f"{keeping.stem_of(desk.file, desk.history.work.frame)}.report"
        planned = desk.measuring.shown.worksheet is not None
        desk.measuring.report(desk.file, desk.history.work, own, planned=planned)
        desk.say("Writing the report.")

    def reported(self, written: list[str], problem: str) -> None:
        """Say that the report is there, or what is wrong."""
        if problem:
            self.desk.say(problem, alarm=True)
            return
        folder = Path(written[0]).parent
        page = folder / "report.html"
        self.desk.say(f"Report written into {folder}.", actions=(("Show it", lambda: _show_page(page)),))

    def next_file(self) -> None:
        """Open the next file of the list; what is not saved stays in the autosave."""
        if self.desk.reads.list is not None:
            self.desk.reads.next()
            return
        path = self.desk.list.next()
        while path is not None:
            if self.desk.opener.open_frames(path):
                return
            path = self.desk.list.next()
        self.desk.say(self.desk.list.ended)


def _show_page(page: Path) -> None:
    from qtpy.QtCore import QUrl
    from qtpy.QtGui import QDesktopServices

    QDesktopServices.openUrl(QUrl.fromLocalFile(str(page)))
