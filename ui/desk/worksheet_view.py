"""The worksheet on the screen: techniques compared by the numbers, sizes, and the steps of the one that was clicked."""

from __future__ import annotations

from functools import partial
from html import escape
from typing import TYPE_CHECKING

from qtpy.QtCore import QUrl
from qtpy.QtWidgets import QTextBrowser, QVBoxLayout, QWidget

from ui.desk.pieces import button, row
from ui.desk.worksheet_text import PARTS, worksheet_html

if TYPE_CHECKING:
    from ui.desk.desk import Desk


class WorksheetView(QWidget):
    """Shows worksheet.json for people.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.setObjectName("deskbody")
        self._desk = desk
        self._text = ""
        self.browser = QTextBrowser()
        self.browser.setOpenLinks(False)
        self.browser.setAccessibleName("Worksheet")
        self.browser.anchorClicked.connect(self._clicked)
        self._parts = {
            name: button(title, partial(self.browser.scrollToAnchor, name), "Go to this part of the page", "plain")
            for name, title in PARTS.items()
        }
        self._way = row(*self._parts.values(), 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._way)
        layout.addWidget(self.browser)

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        shown = desk.measuring.shown
        look = desk.look
        if shown.worksheet_problem:
            text = f"<p style='color:{look.alarm}'><b>{escape(shown.worksheet_problem)}</b></p>"
        elif shown.worksheet is None:
            text = f"<p style='color:{look.quiet}'>{escape(_waiting(desk))}</p>"
        else:
            text = worksheet_html(shown.worksheet, desk.history.work.plan.technique, look)
        self._way.setVisible(shown.worksheet is not None and not shown.worksheet_problem)
        for name in ("steps", "rules"):
            self._parts[name].setEnabled(desk.history.work.plan.technique is not None)
        if text != self._text:
            self._text = text
            bar = self.browser.verticalScrollBar()
            at = bar.value()
            self.browser.setHtml(text)
            bar.setValue(at)

    def follow(self) -> bool:
        """Follow the link that Tab has come to; False when it stands on none."""
        link = self.browser.textCursor().charFormat().anchorHref() if self.browser.hasFocus() else ""
        if link:
            self._clicked(QUrl(link))
        return bool(link)

    def _clicked(self, url: QUrl) -> None:
        from dataclasses import replace

        kind, _, name = url.toString().partition(":")
        if kind == "technique":
            work = self._desk.history.work
            chosen = None if work.plan.technique == name else name
            self._desk.change(replace(work, plan=replace(work.plan, technique=chosen)), "technique")
            self.browser.scrollToAnchor("steps")


def _waiting(desk: Desk) -> str:
    if desk.measuring.planning or desk.measuring.busy:
        return "Planning…"
    if desk.work.segment:
        return "A worksheet needs a bifurcation."
    if not desk.measuring.fresh:
        return "A worksheet needs a reading: set the points first."
    return "A worksheet needs millimetres: set a scale first."
