"""``qca view``: the desk in a window of its own."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from napari.viewer import Viewer
    from qtpy.QtWidgets import QMainWindow

    from ui.desk.desk import Desk
    from ui.desk.window import DeskWindow


def state_folder() -> Path:
    """Folder of the desk's own files on this machine, by the custom of the system: autosave and window settings."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    return base / "qca"


def main_window(viewer: Viewer) -> QMainWindow:
    """Return the window of a viewer; napari offers no public way."""
    window: QMainWindow = viewer.window._qt_window  # noqa: SLF001
    return window


def open_desk(viewer: Viewer, *, home: Path | None = None, look: str = "dark") -> tuple[Desk, DeskWindow]:
    """Make the window of a viewer the desk.

    Parameters
    ----------
    viewer : napari.Viewer
        A viewer without layers.
    home : Path or None
        Folder of the autosave; by default the system's place for such files.
    look : str
        ``"dark"`` or ``"light"``.
    """
    from ui.desk.desk import Desk
    from ui.desk.inks import LOOKS
    from ui.desk.prompts import Prompts
    from ui.desk.window import DeskWindow

    folder = home if home is not None else state_folder() / "autosave"
    desk = Desk(viewer, home=folder, prompts=Prompts(lambda: main_window(viewer)), look=LOOKS[look])
    return desk, DeskWindow(desk)


def run(
    paths: Sequence[Path],
    *,
    look: str = "dark",
    home: Path | None = None,
    first: Callable[[Desk], object] | None = None,
) -> None:
    """Open the desk and work until its window is closed.

    Parameters
    ----------
    paths : sequence of Path
        Files to open.
    look : str
        ``"dark"`` or ``"light"``.
    home : Path or None
        Folder of the autosave.
    first : callable or None
        What to do with the desk once its window is there, instead of opening files.
    """
    os.environ.setdefault("QT_API", "pyside6")
    # the window's settings stay apart from those of a napari that the user may have
    os.environ.setdefault("NAPARI_CONFIG", str(state_folder() / "window.yaml"))
    import napari
    from napari.viewer import Viewer
    from qtpy.QtCore import QTimer

    viewer = Viewer(title="qca desk", show=False, show_welcome_screen=False)
    desk, window = open_desk(viewer, home=home, look=look)
    window.show()
    begin = first or (lambda made: made.open(paths))
    if paths or first is not None:
        QTimer.singleShot(0, lambda: begin(desk))  # the window first, then what may take a moment
    napari.run()
