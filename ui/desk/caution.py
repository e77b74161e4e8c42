"""The caution, on the screen at all times."""

from __future__ import annotations

from qtpy.QtGui import QResizeEvent
from qtpy.QtWidgets import QLabel, QSizePolicy, QWidget

from qca import CAUTION


class CautionLabel(QLabel):
    """Shows the whole caution; wraps where there is no room for one line, and cannot be closed."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(CAUTION, parent)
        self.setObjectName("caution")
        self.setWordWrap(True)
        self.setMinimumWidth(240)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Take as many lines as the width asks for."""
        super().resizeEvent(event)
        height = self.heightForWidth(self.width())
        if height > 0 and height != self.height():
            self.setFixedHeight(height)
