"""Step 6: save, report, next file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qtpy.QtWidgets import QWidget

from ui.desk.pieces import button, column, elided, label, row, set_text

if TYPE_CHECKING:
    from ui.desk.desk import Desk


class KeepPanel(QWidget):
    """Where the measurement goes.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._where = label(mark="quiet")
        self._autosave = label(mark="quiet")
        self._broken = label(mark="alarm")
        self._save = button("Save", desk.keeper.save, "Ctrl+S", "main")
        self._elsewhere = button("Save elsewhere…", desk.keeper.save_elsewhere, "Ctrl+Shift+S")
        self._report = button("Report…", desk.keeper.report, "Ctrl+E")
        self._next = button("Next file", desk.keeper.next_file, "N")
        self._refuse = button(
            "Cannot be read…", desk.reads.refuse, "Ctrl+R: enter the reason into the record, and go on"
        )
        column(
            self, self._where, row(self._save, self._elsewhere, 1), row(self._report, self._next, self._refuse, 1),
            self._autosave, self._broken,
        )  # fmt: skip

    def summary(self, desk: Desk) -> str:
        """One line for the header of the step."""
        progress = desk.list.progress
        state = "saved" if desk.keeper.is_saved and desk.reads.list is None else ""
        return ", ".join(part for part in (state, progress) if part)

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        folder = desk.keeper.folder or (desk.file.parent if desk.file is not None else None)
        there = desk.measured is not None
        listed, unopened = desk.reads.list is not None, desk.reads.unopened
        where = f"Picks and reading, one file each, into {elided(str(folder), 60)}" if folder else ""
        if desk.reads.list is not None:
            where = f"{desk.reads.list.code}: picks and reading go into the record of the reading list."
        if unopened:
            where = f"{unopened}: its copy could not be opened. Nothing of it can be measured."
        if desk.reads.ended:
            where = desk.reads.ended
        set_text(self._where, where)
        self._save.setText("Enter into the record" if listed else "Save")
        self._next.setText("Next frame" if listed else "Next file")
        self._elsewhere.setVisible(not listed)
        self._report.setVisible(not listed)
        self._refuse.setVisible(desk.reads.listed or bool(unopened))
        for widget in (self._save, self._elsewhere, self._report):
            widget.setEnabled(there)
        self._next.setEnabled(desk.list.has_next or desk.reads.listed or bool(unopened))
        broken = desk.broken
        set_text(self._broken, broken)
        set_text(
            self._autosave, "" if broken else "Every step is kept as you make it, also when the program is killed."
        )
