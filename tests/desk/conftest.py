"""The real window on a virtual screen, and a hand that clicks, drags, types and drops in it."""

from __future__ import annotations

import os
import time
from itertools import pairwise
from pathlib import Path

import pytest

os.environ.setdefault("QT_API", "pyside6")

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
RUN = SAMPLES / "filling_run.dcm"
STILL = SAMPLES / "bifurcation.dcm"
SEGMENT = SAMPLES / "segment.png"
PATIENCE_S = 90
"""A reading takes about a second on an idle machine; this one may be shared."""


@pytest.fixture(scope="session")
def still_reading():
    """Picks and reading of the shipped still, measured once, without the desk."""
    from qca.document import reading_text
    from qca.frames import open_frame
    from qca.picks_file import read_picks
    from qca.pipeline import measure

    picks = read_picks(SAMPLES / "bifurcation.picks.json")
    reading = measure(open_frame(STILL), picks)
    return picks, reading, reading_text(reading)


class Prompter:
    """Stands in for the system's dialogs: says what the test put into it, and remembers the questions."""

    def __init__(self):
        self.answers = []
        self.questions = []

    def _next(self, question):
        self.questions.append(question)
        assert self.answers, f"nobody expected the question {question!r}"
        return self.answers.pop(0)

    def files(self, start):
        return self._next("files")

    def file(self, title, start, kinds):
        return self._next(title)

    def folder(self, title, start):
        return self._next(title)

    def confirm(self, question, yes):
        return self._next(question)

    def choose(self, question, answers):
        return self._next(question)

    def text(self, question):
        return self._next(question)


class Hand:
    """A user at the desk."""

    def __init__(self, viewer, desk, window, prompts):
        from qtpy.QtWidgets import QApplication

        self.viewer, self.desk, self.window, self.prompts = viewer, desk, window, prompts
        self.app = QApplication.instance()
        self.native = viewer.window._qt_viewer.canvas.native
        self.down = False

    def new_session(self, home):
        """Forget everything that is not on the disk."""
        as_new(self.desk, home)

    # -- time

    def wait(self, condition=lambda: False, seconds=0.05):
        """Let the window work until a condition holds; tells whether it does."""
        end = time.monotonic() + seconds
        while True:
            late = (
                time.monotonic() > end
            )  # looked at before the events: those of a machine that stalled are handled too
            self.app.processEvents()
            if condition():
                return True
            if late:
                return False
            time.sleep(0.003)

    def measured(self):
        """Wait for the reading of the work as it stands."""
        shown = self.desk.measuring.shown
        assert self.wait(lambda: self.desk.measuring.fresh or bool(shown.problem), PATIENCE_S), "no reading came"
        self.wait()
        assert shown.measured is not None, shown.problem
        return shown.measured

    # -- mouse on the canvas

    def at(self, point):
        """Canvas position of a point in stored pixels."""
        from qtpy.QtCore import QPoint

        camera, size = self.viewer.scene.camera, self.viewer.canvas.size
        row, column = point[1] * self.desk.canvas._aspect, point[0]
        y = (row - camera.center[-2]) * camera.zoom + size[0] / 2
        x = (column - camera.center[-1]) * camera.zoom + size[1] / 2
        return QPoint(round(x), round(y))

    def reach(self):
        """Stored pixels per canvas pixel: how exactly a click lands."""
        return 1.0 / float(self.viewer.scene.camera.zoom)

    # Events are sent to the widget, not made with the pointer of the screen: the X server reports its moves whenever it
    # likes, in between the others. napari drops moves that follow each other within 5 ms, so a hand waits longer.

    def mouse(self, kind, where, *, down, widget=None, modifier="NoModifier"):
        """Send one mouse event to a place on a widget, by default the canvas."""
        from qtpy.QtCore import QEvent, QPointF, Qt
        from qtpy.QtGui import QMouseEvent

        self.down, widget = down, widget or self.native
        left, none = Qt.MouseButton.LeftButton, Qt.MouseButton.NoButton
        event = QMouseEvent(
            getattr(QEvent.Type, kind), QPointF(where), QPointF(widget.mapToGlobal(where)),
            none if kind == "MouseMove" else left, left if down else none, getattr(Qt.KeyboardModifier, modifier),
        )  # fmt: skip
        self.app.sendEvent(widget, event)

    def click(self, point):
        self.press(point)
        self.release(point)

    def press(self, point):
        self.move(point)
        self.mouse("MouseButtonPress", self.at(point), down=True)
        self.wait(seconds=0.012)

    def move(self, point):
        self.wait(seconds=0.012)
        self.mouse("MouseMove", self.at(point), down=self.down)
        self.wait(seconds=0.012)

    def release(self, point):
        self.mouse("MouseButtonRelease", self.at(point), down=False)
        self.wait()

    def drag_on(self, widget, begin, end, modifier="NoModifier"):
        """Press on a place of a widget, move, release."""
        for kind, where, down in (
            ("MouseButtonPress", begin, True), ("MouseMove", end, True), ("MouseButtonRelease", end, False)
        ):  # fmt: skip
            self.mouse(kind, where, down=down, widget=widget, modifier=modifier)
        self.wait()

    def drag(self, *points, steps=4):
        """Press on the first point, move through the others, release on the last."""
        self.press(points[0])
        for begin, end in pairwise(points):
            for k in range(1, steps + 1):
                self.move(tuple(a + (b - a) * k / steps for a, b in zip(begin, end, strict=True)))
        self.release(points[-1])

    # -- keys and drops

    def key(self, name, modifier=None):
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        with_modifier = Qt.KeyboardModifier.NoModifier if modifier is None else getattr(Qt.KeyboardModifier, modifier)
        QTest.keyClick(self.window.main, getattr(Qt.Key, f"Key_{name}"), with_modifier)
        self.wait()

    def drop(self, *paths, onto=None):
        """Drop files as the system does: a drag enters, then drops."""
        from qtpy.QtCore import QMimeData, QPointF, Qt, QUrl
        from qtpy.QtGui import QDragEnterEvent, QDropEvent
        from qtpy.QtWidgets import QApplication

        target = onto or self.viewer.window._qt_viewer
        data = QMimeData()
        data.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
        common = (Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier)
        enter = QDragEnterEvent(QPointF(50, 50).toPoint(), *common)
        QApplication.sendEvent(target, enter)
        assert enter.isAccepted()
        QApplication.sendEvent(target, QDropEvent(QPointF(50, 50), *common))
        self.wait()


@pytest.fixture
def prompts():
    return Prompter()


@pytest.fixture
def home(tmp_path):
    """Folder of the autosave, away from the user's own."""
    return tmp_path / "autosave"


def new_window(home):
    """Open a desk in a window."""
    from napari.viewer import Viewer

    from ui.desk.launch import open_desk

    viewer = Viewer(show=False, show_welcome_screen=False)
    desk, window = open_desk(viewer, home=home)
    window.show()
    return viewer, desk, window


@pytest.fixture(scope="session")
def window_of_all(tmp_path_factory):
    """One desk in one window for most tests: making one takes seconds."""
    os.environ["NAPARI_CONFIG"] = str(tmp_path_factory.mktemp("napari") / "settings.yaml")
    viewer, desk, window = new_window(tmp_path_factory.mktemp("home"))
    yield viewer, desk, window
    as_new(desk, desk.home)  # nothing to be asked about
    viewer.close()


@pytest.fixture
def hand(window_of_all, home, prompts):
    """The desk in its window, with nothing open and nothing remembered."""
    viewer, desk, window = window_of_all
    desk.prompts = prompts
    as_new(desk, home)
    hand = Hand(viewer, desk, window, prompts)
    window.main.activateWindow()
    assert hand.wait(window.main.isActiveWindow, PATIENCE_S)
    return hand


def as_new(desk, home):
    """Forget everything, as if the window had just been opened."""
    from ui.desk.guide import Step
    from ui.desk.worklist import PathList

    desk.put_away()
    desk.reads.close()
    desk.list, desk.home = PathList([]), home
    desk.steps.current, desk.notice = Step.FRAME, None
    desk.keeper.folder, desk.keeper._own = None, {}
    desk.measuring._known.clear()
    desk.canvas.clear()
    desk.refresh()


@pytest.fixture
def own_hand(window_of_all, home, prompts):
    """A desk in a window of its own, for tests that close it. Nothing of the window may stay in memory."""
    import gc

    from napari._qt.qt_viewer import QtViewer

    before = len(QtViewer._instances)
    viewer, desk, window = new_window(home)
    desk.prompts = prompts
    hand = Hand(viewer, desk, window, prompts)
    hand.wait(window.main.isActiveWindow, PATIENCE_S)
    yield hand
    app = hand.app
    desk.close()
    closed_by_the_test = not hasattr(window, "main")
    if not closed_by_the_test:
        viewer.close()
    hand.__dict__.clear()
    del viewer, desk, window
    for _ in range(3):
        app.processEvents()
        gc.collect()
    assert closed_by_the_test or len(QtViewer._instances) == before


@pytest.fixture
def know(still_reading):
    """Let a desk remember the reading of the shipped still, so that a test of something else need not wait for it."""
    from ui.desk.measuring import Measured

    picks, reading, text = still_reading

    def tell(desk, file=STILL):
        from qca.settings import DEFAULT_SETTINGS

        desk.measuring._known[(str(file), picks, DEFAULT_SETTINGS)] = Measured(reading, text)

    return tell


@pytest.fixture
def measured_hand(hand, know, still_reading):
    """The shipped still, opened, with its picks and its reading."""
    from ui.desk.work import work_of

    picks, _, _ = still_reading
    know(hand.desk)
    assert hand.desk.open([STILL])
    hand.desk.change(work_of(picks), "picks of the sample")
    hand.wait()
    assert hand.desk.measuring.fresh
    return hand
