"""Open, take up again, save, report, next file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from qca.errors import QcaError
from ui.desk import keeping
from ui.desk.work import Work, picks_of, work_of
from ui.desk.worklist import PathList

if TYPE_CHECKING:
    from qca.reading import Reading
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
        self._expected: Reading | None = None

    @property
    def is_saved(self) -> bool:
        """True when the work as it stands is in files of its own."""
        return self._saved is not None and self._saved == self._key()

    def _key(self) -> object:
        work = self.desk.history.work
        return (picks_of(work), work.settings)

    def forget(self) -> None:
        """Another file is opened."""
        self._saved, self._expected = None, None

    # -- opening ----------------------------------------------------------------------------------------------------

    def ask_and_open(self) -> None:
        """Ask for files and open them."""
        start = self.desk.file.parent if self.desk.file is not None else Path.cwd()
        paths = self.desk.prompts.files(start)
        if paths:
            self.open(paths)

    def open(self, paths: Sequence[Path]) -> bool:
        """Open what was named or dropped: frames, a folder of them; picks or a reading beside no list."""
        desk = self.desk
        if not paths:
            return False
        first = paths[0]
        if len(paths) == 1 and first.is_dir():
            frames = keeping.frames_in(first)
            if not frames:
                desk.say(f"There are no DICOM, PNG or TIFF files in {first.name}.", alarm=True)
                return False
            return self._open_of(frames, frames[0])
        if len(paths) == 1 and keeping.is_document(first):
            return self._open_document(first)
        frames = [path for path in paths if not keeping.is_document(path)]
        if not frames:
            desk.say("Open one file of picks or one reading at a time.", alarm=True)
            return False
        return self._open_of(frames if len(frames) > 1 else keeping.frames_in(first.parent), frames[0])

    def _open_of(self, files: Sequence[Path], path: Path, work: Work | None = None) -> bool:
        """Open one of several files; the list that was there stays where that fails."""
        desk, before = self.desk, self.desk.list
        desk.list = PathList(files)
        if desk.open_frames(path, work):
            return True
        desk.list = before
        return False

    def _open_document(self, path: Path) -> bool:
        desk = self.desk
        if desk.reads.shuts_out(path):
            return False
        try:
            opened = keeping.open_document(path)
        except QcaError as error:
            desk.say(str(error), alarm=True)
            return False
        work = work_of(opened.picks, opened.settings)
        file = opened.frame_file if opened.frame_file is not None else desk.file
        if file is None:
            desk.say(f"The frame of {path.name} is not beside it: open the frame first, then {path.name}.", alarm=True)
            return False
        if opened.frame_file is None or file == desk.file:
            self._expected = opened.reading
            desk.change(work, f"opened {path.name}")
            desk.scrubber.back_to_points()
            self.compare_with_opened()
            return True
        if not self._open_of(keeping.frames_in(file.parent), file, work):
            return False
        self._expected = opened.reading
        return True

    def open_sample(self) -> None:
        """Open the shipped run."""
        from ui.cli.samples import sample

        try:
            image, _ = sample("filling_run")
        except QcaError as error:
            self.desk.say(str(error), alarm=True)
            return
        self.open([image])

    def take_up(self) -> None:
        """Go on where an earlier session stopped, unless its work was saved."""
        desk = self.desk
        found = desk.opened.journal.found() if desk.opened is not None else None
        if found is None or not found.history.work.touched:
            return
        when = found.when.replace("T", " ")[:16]
        if found.saved:
            desk.say(
                f"Measured before, and saved ({when} UTC).",
                actions=(("Show that measurement", lambda: self._show(found.history.work)),),
            )
            return
        desk.continue_with(found.history)
        desk.say(
            f"Taken up again where it was left ({when} UTC, {found.history.at} steps). Nothing was lost.",
            actions=(("Start afresh", self.start_afresh),),
        )

    def start_afresh(self) -> None:
        """Begin with nothing; one undo brings the work back."""
        self.desk.notice = None
        self.desk.change(Work(settings=self.desk.history.work.settings), "started afresh")

    def _show(self, work: Work) -> None:
        self.desk.notice = None
        self.desk.change(work, "took up the saved measurement")
        self.desk.scrubber.back_to_points()

    def compare_with_opened(self) -> None:
        """Say so when a reading that was opened does not come out again; called when a reading has arrived."""
        desk, expected = self.desk, self._expected
        measured = desk.measured
        if expected is None or measured is None:
            return
        self._expected = None
        if measured.reading.frame.sha256 != expected.frame.sha256:
            desk.say(
                "This is not the file that the opened reading was made from: the numbers are new ones.", alarm=True
            )
            return
        for name, limb in measured.reading.limbs.items():
            before = expected.limbs.get(name)
            if before is None or before.mld_px != limb.mld_px or before.reference_px != limb.reference_px:
                desk.say("Measured anew: the numbers differ from those in the opened reading, made by another version.")
                return
        self._saved = self._key()

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
            if self.desk.open_frames(path):
                return
            path = self.desk.list.next()
        self.desk.say(self.desk.list.ended)


def _show_page(page: Path) -> None:
    from qtpy.QtCore import QUrl
    from qtpy.QtGui import QDesktopServices

    QDesktopServices.openUrl(QUrl.fromLocalFile(str(page)))
