"""What a file brings onto the desk: frames, picks or a reading, and the work of an earlier session."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from qca.cine.filling import RunMarks
from qca.errors import QcaError
from ui.desk import keeping
from ui.desk.open_file import OpenFile
from ui.desk.work import Work, work_of
from ui.desk.worklist import PathList

if TYPE_CHECKING:
    from qca.reading import Reading
    from ui.desk.desk import Desk


class Opener:
    """Opens files at the desk.

    Parameters
    ----------
    desk : Desk
        Where they are opened.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._expected: Reading | None = None

    def forget(self) -> None:
        """Expect nothing any more: the file is put away."""
        self._expected = None

    # -- what was named or dropped ----------------------------------------------------------------------------------

    def ask_and_open(self) -> None:
        """Ask for files and open them."""
        start = self.desk.file.parent if self.desk.file is not None else Path.cwd()
        paths = self.desk.prompts.files(start)
        if paths:
            self.open(paths)

    def open(self, paths: Sequence[Path]) -> bool:
        """Open what was named or dropped: frames, a folder of them; picks or a reading beside no list.

        Returns
        -------
        bool
            False when nothing could be opened; the notice says why, and what was open stays open.
        """
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

    def open_sample(self) -> None:
        """Open the shipped run."""
        from ui.cli.samples import sample

        try:
            image, _ = sample("filling_run")
        except QcaError as error:
            self.desk.say(str(error), alarm=True)
            return
        self.open([image])

    def open_frames(self, path: Path, work: Work | None = None) -> bool:
        """Open a file of frames.

        Parameters
        ----------
        path : Path
            The file.
        work : Work or None
            Work to begin with, from a document; else what the autosave has, else nothing.
        """
        desk = self.desk
        first = (work.frame if work is not None else None) or 0
        try:
            opened = OpenFile(
                path, desk.reads.home, first, lambda text: desk.relay.call(lambda: desk.say(text, alarm=True))
            )
        except (QcaError, MemoryError) as error:
            desk.say(str(error) or "There is not enough memory for this file: close other programs.", alarm=True)
            return False
        if not desk.reads.leave():
            opened.close()
            return False
        desk.put_away()
        desk.opened = opened
        if desk.list is not desk.reads.list:
            desk.reads.close()
        desk.notice = None
        desk.measuring.warm_up()
        if work is not None:
            desk.history.push(work, "opened")
        else:
            self.take_up()
        desk.list.begin_at(path)
        desk.scrubber.shown = min(desk.work.frame or 0, opened.record.count - 1)
        desk.picture.begin()
        desk.canvas.show_frames(
            opened.frames, desk.scrubber.shown, opened.record.pixel_aspect, opened.grey_window(desk.scrubber.shown)
        )
        opened.look_through(lambda marks: desk.relay.call(lambda: self._looked_through(opened, marks)))
        desk.follow()
        desk.steps.begin()
        if opened.record.warnings and desk.notice is None:
            desk.say(" ".join(opened.record.warnings[:2]))
        desk.refresh()
        return True

    def _open_of(self, files: Sequence[Path], path: Path, work: Work | None = None) -> bool:
        """Open one of several files; the list that was there stays where that fails."""
        desk, before = self.desk, self.desk.list
        desk.list = PathList(files)
        if self.open_frames(path, work):
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

    def _looked_through(self, opened: OpenFile, marks: RunMarks) -> None:
        opened.marks = marks
        if opened is self.desk.opened:
            self.desk.refresh()

    # -- an earlier session, an earlier reading ---------------------------------------------------------------------

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
        desk.keeper.count_as_saved()
