"""One file of frames that is open at the desk: decoded lazily, looked through in the background, autosaved. No Qt."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from qca.cine.filling import RunMarks
from qca.frames.record import FrameFile
from qca.frames.source import FrameSource
from ui.desk.history import History
from ui.desk.journal import Journal
from ui.desk.lazy_frames import LazyFrames
from ui.desk.run_scan import RunScan

_OUTERMOST_PERCENT = 0.5
"""Share of grey values left out at either end of the grey window."""


_EVERY = 2
"""Step between the rows and columns that the grey window looks at."""


class OpenFile:
    """An open file, its autosave, and what is known about its run.

    Parameters
    ----------
    path : Path
        The file.
    home : Path
        Folder of the autosave.
    first : int
        Frame that will be shown first: a file in which it is damaged must not take the place of a good one.
    trouble : callable
        Called with a sentence, from any thread, when a frame cannot be decoded later on.

    Raises
    ------
    InputError
        If the file cannot be used.
    MemoryError
        If its frames are too large for this machine.
    """

    def __init__(self, path: Path, home: Path, first: int, trouble: Callable[[str], None]) -> None:
        source = FrameSource(path)
        index = min(first, source.count - 1)
        pixels = source.pixels(index)
        self.path = path
        self.frames = LazyFrames(source, trouble)
        self.frames.keep(index, pixels)
        self.journal = Journal(home, path)
        self.marks: RunMarks | None = None
        self._begun = False
        self._scan: RunScan | None = None

    @property
    def record(self) -> FrameFile:
        """What the file's header says."""
        return self.frames.source.record

    @property
    def is_run(self) -> bool:
        """True when it holds more than one frame."""
        return len(self.frames) > 1

    def look_through(self, found: Callable[[RunMarks], None]) -> None:
        """Judge filling and motion of a run in the background; ``found`` is called from there."""
        if len(self.frames) > 2:
            self._scan = RunScan(self.frames.source, found)

    def grey_window(self, frame: int) -> tuple[float, float]:
        """Grey values of a frame without its outermost ones; for the eye only."""
        cut = (_OUTERMOST_PERCENT, 100 - _OUTERMOST_PERCENT)
        sample = self.frames.frame(frame)[::_EVERY, ::_EVERY]
        low, high = (float(value) for value in np.percentile(sample, cut))
        return (low, high) if high > low else (low, low + 1.0)

    # -- autosave ---------------------------------------------------------------------------------------------------

    @property
    def kept(self) -> bool:
        """True when the journal of this session was begun."""
        return self._begun

    def begin_journal(self, history: History) -> None:
        """Begin the journal with all steps of a history."""
        self.journal.begin(history)
        self._begun = True

    def keep_step(self, history: History) -> None:
        """Write the newest step down; the first one begins the journal."""
        if self._begun:
            self.journal.step(history.states[history.at])
        else:
            self.begin_journal(history)

    def keep_place(self, history: History) -> None:
        """Write down where undo or redo went."""
        if self._begun:
            self.journal.moved(history.at)

    def close(self) -> None:
        """End what runs in the background and forget the frames."""
        if self._scan is not None:
            self._scan.close()
            self._scan = None
        self.frames.close()
