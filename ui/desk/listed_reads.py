"""A reader's reading list at the desk: the next frame, what was entered, the lock. No Qt.

The readings go into the list's ledger instead of files beside the frames; what a reader has not entered yet is in the
desk's autosave. Earlier results stay hidden as the list says: only the reader's own open read is shown again.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from qca.errors import InputError

if TYPE_CHECKING:
    from qca.lists.progress import Next
    from qca.lists.reading_list import ListedRead
    from qca.reading import Reading
    from qca.store.rules import State


class ListedReads:
    """What one reader has to read.

    Parameters
    ----------
    folder : Path
        The list's folder.
    reader : str
        Reader code.
    place : str or None
        Another ledger than the list names, or the same with its password.
    early : bool
        Do not wait for the wash-out.

    Raises
    ------
    InputError
        If there is no list, no such reader on it, or its ledger cannot be opened.
    """

    def __init__(self, folder: Path, reader: str, *, place: str | None = None, early: bool = False) -> None:
        from qca.lists.reading_list import open_list

        self._listing = open_list(folder)
        self._mine = self._listing.of(reader)
        self.reader, self._early = reader, early
        self._ledger = self._listing.open_ledger(place)
        self._read: ListedRead | None = None
        self._states: dict[str, State] = {}
        self.ended = ""
        self._look()

    # -- what a list of the desk offers -----------------------------------------------------------------------------

    @property
    def current(self) -> Path | None:
        """The coded copy that is being read."""
        return None if self._read is None else self._read.file

    @property
    def progress(self) -> str:
        """How far the reader is."""
        if self._read is None:
            return ""
        return f"{self._read.order} of {len(self._mine)}, {self.state_in_words}"

    @property
    def has_next(self) -> bool:
        """True when another read waits."""
        return any(self._waits(read) for read in self._mine if read is not self._read)

    def next(self) -> Path | None:
        """Go to the next read that waits, from here on and then from the top; None when there is none now."""
        found = self._look()
        self.ended = self._why(found)
        if found.read is None:
            return None
        waiting = [read for read in self._mine if self._waits(read) and read.passage == found.read.passage]
        after = 0 if self._read is None else self._read.order
        self._read = next((read for read in waiting if read.order > after), found.read)
        return self._read.file

    def begin_at(self, path: Path) -> None:
        """Nothing to do: only `next` moves along a reading list."""

    @property
    def name(self) -> str:
        """Name of this list and reader, for a folder of their own."""
        return f"{self._listing.list_id}-{self.reader}"

    # -- the read that is open --------------------------------------------------------------------------------------

    @property
    def code(self) -> str:
        """Opaque code of the read."""
        return "" if self._read is None else self._read.code

    @property
    def frame(self) -> int | None:
        """The frame that the list fixes."""
        return None if self._read is None else self._read.frame

    @property
    def state(self) -> State:
        """State of the read in the ledger."""
        return self._states.get(self.code, "none")

    @property
    def is_done(self) -> bool:
        """True when the read waits for nobody any more."""
        from qca.lists.progress import DONE

        return self.state in DONE

    @property
    def state_in_words(self) -> str:
        """The same, for the reader."""
        words = {"none": "not entered", "open": "entered", "locked": "locked", "refused": "refused"}
        return words.get(self.state, self.state)

    def latest(self) -> Reading | None:
        """Give the reading that was entered and is not locked, to go on with it."""
        from qca.document import parse_reading
        from qca.lists.work import latest

        if self._read is None or self.state != "open":
            return None
        text = latest(self._listing, self._ledger, self._read)
        return None if text is None else parse_reading(text)

    def enter(self, reading: Reading) -> None:
        """Enter a reading of the frame.

        Raises
        ------
        InputError
            If it is of another frame, the read is locked, or the ledger cannot be written.
        """
        from qca.lists.work import enter

        enter(self._listing, self._ledger, self._open_read(), reading)
        self._look()

    def lock(self) -> None:
        """Lock the reading.

        Raises
        ------
        InputError
            If there is none, or the ledger cannot be written.
        """
        from qca.lists.work import lock

        lock(self._listing, self._ledger, self._open_read())
        self._look()

    def refuse(self, reason: str) -> None:
        """Enter that the frame cannot be read, and why.

        Raises
        ------
        InputError
            If there is no reason, the read is locked, or the ledger cannot be written.
        """
        from qca.lists.work import refuse

        refuse(self._listing, self._ledger, self._open_read(), reason)
        self._look()

    def close(self) -> None:
        """Give the ledger back."""
        self._ledger.close()

    def _open_read(self) -> ListedRead:
        if self._read is None:
            msg = "No frame of the reading list is open: go to the next one first."
            raise InputError(msg)
        return self._read

    def _waits(self, read: ListedRead) -> bool:
        from qca.lists.progress import DONE

        return self._states.get(read.code, "none") not in DONE

    def _look(self) -> Next:
        from qca.lists.progress import next_read, states

        self._states = states(self._listing, self._ledger)
        return next_read(self._listing, self._ledger, self.reader, early=self._early)

    def _why(self, found: Next) -> str:
        if found.read is not None:
            return ""
        if found.due_utc is not None:
            return f"Nothing to read before {found.due_utc:%Y-%m-%d %H:%M} UTC: the wash-out is not over."
        return f"Everything on the list of reader {self.reader} is read."
