"""The guided column: what to do next, the steps, messages."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Protocol

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QApplication,
    QFrame,
    QHBoxLayout,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from ui.desk import guide, hints
from ui.desk.check_panel import CheckPanel
from ui.desk.frame_panel import FramePanel
from ui.desk.guide import TITLES, Step
from ui.desk.keep_panel import KeepPanel
from ui.desk.pieces import button, elided, label, set_text, shortened
from ui.desk.plan_panel import PlanPanel
from ui.desk.points_panel import PointsPanel
from ui.desk.scale_panel import ScalePanel

if TYPE_CHECKING:
    from ui.desk.desk import Desk
    from ui.desk.notice import Notice

_LONGEST = 38
"""Letters that the header of a step has room for: its title and what stands behind it."""

_SIGNS = {"done": "✓", "doubt": "!", "doing": "▸", "open": " "}


class Panel(Protocol):
    """What each step's panel offers."""

    def summary(self, desk: Desk) -> str:
        """One line for the header of the step."""

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""


class HintBox(QFrame):
    """What to do next, and the keys that help."""

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("hint")
        self._text = label()
        self._text.setObjectName("hinttext")
        self._keys = label(mark="quiet")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(10, 6, 8, 6)
        layout.setSpacing(2)
        layout.addWidget(self._text)
        layout.addWidget(self._keys)

    def show_hint(self, hint: hints.Hint) -> None:
        """Show a hint."""
        set_text(self._text, hint.text)
        # a line breaks between two keys, never between a key and what it does
        set_text(self._keys, "   ·  ".join(part.replace(" ", "\u00a0") for part in hint.keys.split("   ·   ")))


class NoticeBox(QFrame):
    """A message with up to two buttons; the cross takes it away."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.setObjectName("notice")
        self._desk = desk
        self._shown: Notice | None = None
        self._text = label()
        self._buttons = QHBoxLayout()
        head = QHBoxLayout()
        head.addWidget(self._text, 1)
        head.addWidget(button("✕", desk.hush, "Esc", "plain"), 0, Qt.AlignmentFlag.AlignTop)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(10, 5, 4, 5)
        layout.setSpacing(2)
        layout.addLayout(head)
        layout.addLayout(self._buttons)
        self.hide()

    def show_notice(self, notice: Notice | None) -> None:
        """Show a message, or none."""
        if notice is self._shown:
            return
        self._shown = notice
        self.setVisible(notice is not None)
        while (item := self._buttons.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.setParent(None)
                widget.deleteLater()
        if notice is None:
            return
        self._text.setText(notice.text)
        self.setProperty("alarm", "yes" if notice.alarm else "no")
        self.style().unpolish(self)
        self.style().polish(self)
        for text, action in notice.actions:
            self._buttons.addWidget(button(text, action))
        self._buttons.addStretch(1)


class GuidedColumn(QWidget):
    """The steps of a measurement below each other; one is open.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._hint = HintBox()
        self._notice = NoticeBox(desk)
        self.panels: dict[Step, Panel] = {
            Step.FRAME: FramePanel(desk),
            Step.SCALE: ScalePanel(desk),
            Step.POINTS: PointsPanel(desk),
            Step.CHECK: CheckPanel(desk),
            Step.PLAN: PlanPanel(desk),
            Step.KEEP: KeepPanel(desk),
        }
        self._headers: dict[Step, QPushButton] = {}
        inner = QWidget()
        steps = QVBoxLayout(inner)
        steps.setContentsMargins(0, 0, 0, 0)
        steps.setSpacing(2)
        for step, panel in self.panels.items():
            header = button("", partial(desk.steps.go, step), f"{int(step)}", "step")
            header.setCheckable(True)
            header.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)  # no text widens the column
            self._headers[step] = header
            steps.addWidget(header)
            assert isinstance(panel, QWidget)  # noqa: S101 - each panel is one
            steps.addWidget(panel)
        steps.addStretch(1)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        scroll.setWidget(inner)
        self._undo = button("↶ Undo", desk.undo, "Ctrl+Z", "plain")
        self._redo = button("↷ Redo", desk.redo, "Ctrl+Shift+Z", "plain")
        foot = QHBoxLayout()
        foot.setContentsMargins(4, 0, 4, 2)
        foot.addWidget(self._undo)
        foot.addStretch(1)
        foot.addWidget(self._redo)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 0)
        layout.setSpacing(5)
        layout.addWidget(self._hint)
        layout.addWidget(self._notice)
        layout.addWidget(scroll, 1)
        layout.addLayout(foot)
        self.setFixedWidth(330)

    def _hold_focus(self, current: Step) -> None:
        """Keep the keyboard in the column when the panel that has it closes: Qt would give it to the next field."""
        focus = QApplication.focusWidget()
        for step, panel in self.panels.items():
            assert isinstance(panel, QWidget)  # noqa: S101 - each panel is one
            if step is not current and focus is not None and panel.isAncestorOf(focus):
                self._headers[current].setFocus()

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        now = desk.steps.situation
        self._hint.show_hint(hints.hint(now))
        self._notice.show_notice(desk.notice)
        states = guide.progress(now)
        self._hold_focus(desk.steps.current)
        for step, header in self._headers.items():
            panel = self.panels[step]
            open_ = step is desk.steps.current
            header.setChecked(open_)
            summary = elided(panel.summary(desk), min(_LONGEST - len(TITLES[step]), 27))
            sign = _SIGNS[states[step]]
            header.setText(f"{sign}  {int(step)}  {TITLES[step]}" + (f"   {summary}" if summary else ""))
            assert isinstance(panel, QWidget)  # noqa: S101 - each panel is one
            panel.setVisible(open_)
            if open_:
                panel.show_desk(desk)
        history = desk.history
        self._undo.setEnabled(history.can_undo)
        self._redo.setEnabled(history.can_redo)
        self._undo.setText(shortened(f"↶ Undo: {history.undo_label}", 27) if history.undo_label else "↶ Undo")
        self._redo.setText(shortened(f"↷ Redo: {history.redo_label}", 24) if history.redo_label else "↷ Redo")
