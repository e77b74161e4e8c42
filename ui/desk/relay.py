"""The one crossing from other threads into the window's thread."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import QObject, Qt, Signal  # type: ignore[attr-defined]  # qtpy does not declare Signal


class Relay(QObject):
    """Carries calls from any thread into the thread it was made in, in order.

    Calls that arrive after `close` are dropped, so that a late answer never meets a window that is gone.
    """

    _arrived = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self._open = True
        self._arrived.connect(self._run, Qt.ConnectionType.QueuedConnection)

    def call(self, action: Callable[[], None]) -> None:
        """Run an action in the window's thread, soon. Safe from any thread."""
        if self._open:
            self._arrived.emit(action)

    def close(self) -> None:
        """Drop everything that is still on its way."""
        self._open = False

    def _run(self, action: Callable[[], None]) -> None:
        if self._open:
            action()
