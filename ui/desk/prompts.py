"""Questions to the user: only where something would be lost, or a file has to be named."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from qtpy.QtWidgets import QFileDialog, QInputDialog, QMessageBox, QWidget

_FRAMES = "Frames, picks and readings (*.dcm *.dicom *.ima *.png *.tif *.tiff *.json);;All files (*)"


class Prompts:
    """Asks with the system's dialogs.

    Parameters
    ----------
    parent : callable
        Gives the window over which the dialogs appear.
    """

    def __init__(self, parent: Callable[[], QWidget]) -> None:
        self._find_parent = parent

    @property
    def _parent(self) -> QWidget:
        return self._find_parent()

    def files(self, start: Path) -> list[Path]:
        """Ask for files to open; empty when cancelled."""
        names, _ = QFileDialog.getOpenFileNames(self._parent, "Open frames, picks or a reading", str(start), _FRAMES)
        return [Path(name) for name in names]

    def file(self, title: str, start: Path, kinds: str) -> Path | None:
        """Ask for one file; None when cancelled."""
        name, _ = QFileDialog.getOpenFileName(self._parent, title, str(start), kinds)
        return Path(name) if name else None

    def folder(self, title: str, start: Path) -> Path | None:
        """Ask for a folder; None when cancelled."""
        name = QFileDialog.getExistingDirectory(self._parent, title, str(start))
        return Path(name) if name else None

    def confirm(self, question: str, yes: str) -> bool:
        """Ask whether something that would be lost shall be; the safe answer is the default."""
        box = QMessageBox(QMessageBox.Icon.Warning, "qca", question, parent=self._parent)
        agree = box.addButton(yes, QMessageBox.ButtonRole.DestructiveRole)
        cancel = box.addButton(QMessageBox.StandardButton.Cancel)
        box.setDefaultButton(cancel)
        box.exec()
        return box.clickedButton() is agree

    def choose(self, question: str, answers: Sequence[str]) -> str | None:
        """Ask for one of several answers, the first being the usual one; None when cancelled."""
        box = QMessageBox(QMessageBox.Icon.Question, "qca", question, parent=self._parent)
        buttons = {answer: box.addButton(answer, QMessageBox.ButtonRole.AcceptRole) for answer in answers}
        box.addButton(QMessageBox.StandardButton.Cancel)
        box.setDefaultButton(buttons[answers[0]])
        box.exec()
        return next((answer for answer, button in buttons.items() if box.clickedButton() is button), None)

    def text(self, question: str) -> str | None:
        """Ask for a line of text; None when cancelled."""
        text, given = QInputDialog.getText(self._parent, "qca", question)
        return text.strip() or None if given else None
