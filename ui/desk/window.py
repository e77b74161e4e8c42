"""napari's window as the desk's: own menus and keys, the docks, drops, closing."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QEvent, QObject, Qt
from qtpy.QtGui import QAction, QDropEvent, QKeyEvent, QKeySequence  # type: ignore[attr-defined]  # qtpy does not declare QAction
from qtpy.QtWidgets import (
    QAbstractSpinBox,
    QApplication,
    QDialog,
    QMainWindow,
    QTextBrowser,
    QToolBar,
    QVBoxLayout,
    QWidget,
)

from ui.desk.caution import CautionLabel
from ui.desk.desk_widget import DeskWidget, StripView
from ui.desk.inks import LOOKS
from ui.desk.keys import Key, key_table
from ui.desk.legend import legend_html
from ui.desk.theme import register_theme_of, style_sheet

if TYPE_CHECKING:
    from napari.viewer import Viewer

    from ui.desk.desk import Desk

WIDTH, HEIGHT = 1366, 768


CONTROL_KEYS = (
    ("Tab  or  Shift+Tab", "From the frame to the controls, and from one to the next"),
    ("Space", "Press the button, tick the box"),
    ("Up  or  Down", "Choose among several"),
    ("Enter", "Take the number typed; follow the link"),
    ("Esc", "Back to the frame"),
)
"""What keys do in the controls, for the list of all keys."""


class DeskWindow:
    """Turns the window of a viewer into the desk.

    Parameters
    ----------
    desk : Desk
        The desk.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.viewer: Viewer = desk.viewer
        self.main: QMainWindow = self.viewer.window._qt_window  # noqa: SLF001 - napari offers no public way
        self._canvas_side: Any = self.viewer.window._qt_viewer  # noqa: SLF001
        self.widget = DeskWidget(desk, caution=False)
        self.strip = StripView(desk)
        self._caution = CautionLabel()
        self._actions: list[QAction] = []
        desk.views += [self, self.widget, self.strip]
        self._clear()
        self._dock()
        self._menus()
        self._events = WindowEvents(desk, self.closed)
        self.main.setAcceptDrops(True)
        self._watched = [self.main, self._canvas_side, self._canvas_side.canvas.native]
        for watched in self._watched:
            watched.installEventFilter(self._events)
        self.set_look(desk.look.name)
        desk.refresh()

    # -- building ---------------------------------------------------------------------------------------------------

    def _clear(self) -> None:
        """Put napari's own controls aside: one window, one way to do things."""
        for dock in (self._canvas_side.dockLayerList, self._canvas_side.dockLayerControls):
            dock.setVisible(False)
        self._canvas_side.dims.setVisible(False)
        self._canvas_side.dims.setMaximumHeight(0)
        self._canvas_side.show_welcome_screen = False
        self.viewer.mouse_double_click_callbacks.clear()  # two quick clicks are two points, not a zoom
        self.viewer.mouse_drag_callbacks[:] = [self.desk.hands.pressed]
        menus = self.main.menuBar()
        menus.clear()
        status = self.main.statusBar()
        status.setVisible(False)
        self.main.setContextMenuPolicy(Qt.ContextMenuPolicy.NoContextMenu)

    def _dock(self) -> None:
        window, main = self.viewer.window, self.main
        main.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
        right = window.add_dock_widget(self.widget, area="right", name="desk", allowed_areas=["right"])
        below = window.add_dock_widget(self.strip.strip, area="bottom", name="run", allowed_areas=["bottom"])
        for dock in (right, below):
            dock.setFeatures(dock.DockWidgetFeature.NoDockWidgetFeatures)
            dock.setTitleBarWidget(QWidget())
        bar = QToolBar()
        bar.setObjectName("caution bar")
        bar.setMovable(False)
        bar.setFloatable(False)
        bar.addWidget(self._caution)
        bar.toggleViewAction().setEnabled(False)
        main.addToolBar(Qt.ToolBarArea.BottomToolBarArea, bar)
        self._right = right

    def show(self) -> None:
        """Show the window, as large as a small laptop's screen, or as large as the screen is."""
        self.viewer.window.show()
        screen = self.main.screen().availableGeometry()
        self.main.resize(min(WIDTH, screen.width()), min(HEIGHT, screen.height()))
        self.main.resizeDocks([self._right], [672], Qt.Orientation.Horizontal)
        self.main.activateWindow()

    def _menus(self) -> None:
        bar = self.main.menuBar()
        menus: dict[str, Any] = {}
        for key in key_table(self.desk):
            menu = menus.get(key.menu)
            if menu is None:
                menu = menus[key.menu] = bar.addMenu(key.menu)
            menu.addAction(self._action(key))
        view = menus["View"]
        view.addSeparator()
        for name, text in (("dark", "Dark"), ("light", "Light")):
            view.addAction(self._action(Key("View", text, (), partial(self.set_look, name))))
        quit_ = Key("File", "Close the window", ("Ctrl+Q", "Ctrl+W"), self.close)
        menus["File"].addSeparator()
        menus["File"].addAction(self._action(quit_))
        help_ = bar.addMenu("Help")
        help_.addAction(self._action(Key("Help", "All keys", ("F1",), self.show_keys)))
        help_.addAction(self._action(Key("Help", "Lines, marks and numbers", ("F2",), self.show_legend)))

    def _action(self, key: Key) -> QAction:
        action = QAction(key.text, self.main)
        action.setShortcuts([QKeySequence(text) for text in key.keys])
        action.setAutoRepeat(key.text in ("Next frame", "Previous frame", "Undo", "Redo"))
        action.triggered.connect(lambda: self._do(key))
        self._actions.append(action)
        return action

    def _do(self, key: Key) -> None:
        """Do what a key says; Enter in a field for numbers takes the number, on a link follows it, and nothing else."""
        editor = QApplication.focusWidget()
        if "Return" in key.keys and isinstance(editor, QAbstractSpinBox):
            editor.interpretText()
            self._to_the_frame()
            return
        if "Return" in key.keys and self.widget.worksheet.follow():
            return
        if "Esc" in key.keys:
            self._to_the_frame()
        key.action()

    def _to_the_frame(self) -> None:
        """Give the keyboard back to the frame."""
        self._canvas_side.setFocus()

    # -- showing ----------------------------------------------------------------------------------------------------

    def show_desk(self, desk: Desk) -> None:
        """Show the desk as it is now."""
        name = desk.file.name if desk.file is not None and desk.ready else ""
        frame = f", frame {desk.scrubber.shown}" if desk.scrubber.frame_for_picks is not None else ""
        saved = "" if desk.keeper.is_saved or not desk.history.work.touched else " *"
        reader = f"reader {desk.reads.reader}" if desk.reads.reader else ""
        title = " - ".join(part for part in (f"{name}{frame}{saved}" if name else "", reader, "qca desk") if part)
        if self.main.windowTitle() != title:
            self.main.setWindowTitle(title)

    def set_look(self, name: str) -> None:
        """Change between dark and light."""
        self.viewer.theme = register_theme_of(name)
        self._caution.setStyleSheet(style_sheet(LOOKS[name]))
        self.desk.set_look(LOOKS[name])

    def close(self) -> None:
        """Close the window."""
        self.main.close()

    def show_keys(self) -> None:
        """Show the list of all keys."""
        rows = []
        menu = ""
        for key in key_table(self.desk):
            if key.menu != menu:
                menu = key.menu
                rows.append(f"<tr><td colspan='2'><b>{menu}</b></td></tr>")
            keys = "  or  ".join(QKeySequence(one).toString() for one in key.keys)
            rows.append(f"<tr><td>{keys}</td><td>{key.text}</td></tr>")
        rows.append("<tr><td colspan='2'><b>Controls</b></td></tr>")
        rows += [f"<tr><td>{keys}</td><td>{what}</td></tr>" for keys, what in CONTROL_KEYS]
        self._show_page("Keys of the desk", f"<table cellpadding='3'>{''.join(rows)}</table>")

    def show_legend(self) -> None:
        """Show what lines, marks and numbers mean."""
        self._show_page("Lines, marks and numbers", legend_html())

    def _show_page(self, title: str, html: str) -> None:
        dialog = QDialog(self.main)
        dialog.setObjectName("desk")
        dialog.setWindowTitle(title)
        dialog.setStyleSheet(style_sheet(self.desk.look))
        text = QTextBrowser()
        text.setHtml(html)
        layout = QVBoxLayout(dialog)
        layout.addWidget(text)
        dialog.resize(520, 620)
        dialog.show()

    def closed(self) -> None:
        """End the desk with its window, and hold nothing of the window any more."""
        self.desk.close()
        for watched in self._watched:
            watched.removeEventFilter(self._events)
        self._watched.clear()
        self._actions.clear()
        del self.main, self._canvas_side


class WindowEvents(QObject):
    """Takes drops and the closing of the window before napari does.

    Parameters
    ----------
    desk : Desk
        The desk.
    closed : callable
        Called when the window closes.
    """

    def __init__(self, desk: Desk, closed: Callable[[], None]) -> None:
        super().__init__()
        self._desk = desk
        self._closed = closed

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 - Qt's name
        """Look at one event; True keeps it from going on."""
        kind = event.type()
        if kind in (QEvent.Type.DragEnter, QEvent.Type.DragMove, QEvent.Type.Drop) and isinstance(event, QDropEvent):
            return self._dragged(event)
        if kind == QEvent.Type.KeyPress and isinstance(event, QKeyEvent) and isinstance(watched, QWidget):
            if event.key() in (Qt.Key.Key_Tab, Qt.Key.Key_Backtab):
                watched.window().focusNextPrevChild(event.key() == Qt.Key.Key_Tab)
            return True
        if kind == QEvent.Type.KeyRelease:
            return True  # what no menu took is for nobody: napari's own keys would change the view behind the desk
        if kind == QEvent.Type.Close and isinstance(watched, QMainWindow):
            if not self._desk.may_close():
                event.ignore()
                return True
            self._closed()
        return False

    def _dragged(self, event: QDropEvent) -> bool:
        paths = [Path(url.toLocalFile()) for url in event.mimeData().urls() if url.isLocalFile()]
        if not paths:
            return False
        event.acceptProposedAction()
        if event.type() == QEvent.Type.Drop:
            self._desk.open(paths)
        return True
