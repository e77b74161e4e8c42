"""Small widgets that every panel is made of."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from qtpy.QtCore import QSignalBlocker, Qt
from qtpy.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

MARKS = ("quiet", "alarm", "good", "hand")


def label(text: str = "", mark: str = "", *, wrap: bool = True) -> QLabel:
    """Make a label; ``mark`` is ``"quiet"``, ``"alarm"``, ``"good"`` or ``"hand"``."""
    made = QLabel(text)
    made.setWordWrap(wrap)
    made.setTextFormat(Qt.TextFormat.PlainText)
    if mark:
        made.setProperty(mark, "yes")
    return made


def button(text: str, action: Callable[[], object], tip: str = "", kind: str = "") -> QPushButton:
    """Make a button; ``kind`` is ``"main"``, ``"plain"`` or ``"step"``.

    A click on it leaves the keyboard to the canvas; Tab reaches it.
    """
    made = QPushButton(text)
    made.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    if not any(letter.isalpha() for letter in text):
        made.setAccessibleName(tip)
    made.clicked.connect(lambda _checked=False: action())
    if tip:
        made.setToolTip(tip)
    if kind:
        made.setProperty(kind, "yes")
    return made


def row(*parts: QWidget | int) -> QWidget:
    """Put widgets beside each other; a number is a stretch."""
    box = QWidget()
    layout = QHBoxLayout(box)
    layout.setContentsMargins(0, 0, 0, 0)
    layout.setSpacing(5)
    for part in parts:
        if isinstance(part, int):
            layout.addStretch(part)
        else:
            layout.addWidget(part)
    return box


def column(box: QWidget, *parts: QWidget, margin: int = 8) -> QVBoxLayout:
    """Put widgets below each other into a box."""
    layout = QVBoxLayout(box)
    layout.setContentsMargins(margin, 6, margin, 8)
    layout.setSpacing(5)
    for part in parts:
        layout.addWidget(part)
    return layout


def set_text(widget: QLabel, text: str) -> None:
    """Set a label's text, and hide the label when there is none."""
    if widget.text() != text:
        widget.setText(text)
    widget.setVisible(bool(text))


def set_mark(widget: QWidget, mark: str) -> None:
    """Give a label another mark than it has, or none."""
    if widget.property(mark) == "yes" if mark else not any(widget.property(name) for name in MARKS):
        return
    for name in MARKS:
        widget.setProperty(name, "yes" if name == mark else None)
    widget.style().unpolish(widget)
    widget.style().polish(widget)


def sentence(text: str) -> str:
    """Write what is wrong as a sentence."""
    if not text:
        return ""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}"


def elided(text: str, longest: int) -> str:
    """Shorten a text in its middle."""
    if len(text) <= longest:
        return text
    head = (longest - 1) // 2
    return f"{text[:head]}…{text[-(longest - 1 - head) :]}"


def shortened(text: str, longest: int) -> str:
    """Shorten a text at its end."""
    return text if len(text) <= longest else f"{text[: longest - 1].rstrip()}…"


@contextmanager
def quietly(widget: QWidget) -> Iterator[None]:
    """Show a value in a widget without the widget taking it for typed."""
    blocker = QSignalBlocker(widget)
    try:
        yield
    finally:
        blocker.unblock()
