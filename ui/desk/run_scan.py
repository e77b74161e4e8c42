"""Look through a run in the background: filling and motion of every frame, for the strip under the image. No Qt."""

from __future__ import annotations

import threading
from collections.abc import Callable

from qca.cine.filling import RunMarks, miniature, run_marks
from qca.errors import QcaError
from qca.frames.source import FrameSource


class RunScan:
    """Decodes each frame once, keeps a miniature, and reports what it found.

    Parameters
    ----------
    source : FrameSource
        The open file, of three frames or more.
    deliver : callable
        Called once with the marks, from a thread of its own; not called when the scan was closed or a frame is damaged.
    """

    def __init__(self, source: FrameSource, deliver: Callable[[RunMarks], None]) -> None:
        self._source = source
        self._deliver = deliver
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._work, name="desk run scan", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop; nothing is delivered afterwards."""
        self._closed.set()

    def join(self, seconds: float) -> None:
        """Wait for the end of the scan."""
        self._thread.join(seconds)

    def _work(self) -> None:
        miniatures = []
        for index in range(self._source.count):
            if self._closed.is_set():
                return
            try:
                miniatures.append(miniature(self._source.pixels(index)))
            except (QcaError, MemoryError):
                return  # the frame says so itself when it is shown
        marks = run_marks(miniatures, self._source.record.r_wave_frames)
        if not self._closed.is_set():
            self._deliver(marks)
