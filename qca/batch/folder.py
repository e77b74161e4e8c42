"""The folder a batch writes into: one batch at a time, and a preview of the long table while it runs."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from qca.csv_text import lines
from qca.errors import InputError
from qca.store.tables import LONG_COLUMNS, Read, long_rows

PREVIEW = "readings_long.running.csv"
LOCK = ".batch.lock"


@contextlib.contextmanager
def sole_use(folder: Path) -> Iterator[None]:
    """Hold the folder for this batch; the system lets go of it when the process ends, however it ends.

    Raises
    ------
    InputError
        If it cannot be written, or another batch is at work in it.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        msg = f"Cannot write into {folder} ({error.strerror}): choose a folder that you may write to."
        raise InputError(msg, file=str(folder)) from error
    try:
        if not _locked(handle):
            msg = f"Another batch is writing into {folder}: wait for it, or choose another folder."
            raise InputError(msg, file=str(folder))
        yield
        (folder / LOCK).unlink(missing_ok=True)
    finally:
        os.close(handle)


def _locked(handle: int) -> bool:
    try:
        import fcntl
    except ImportError:  # not on Windows
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


class Preview:
    """The long table of this run, as results come; replaced by the whole one at the end."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / PREVIEW
        try:
            self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        except OSError as error:
            msg = f"Cannot write into {folder} ({error.strerror}): choose a folder that you may write to."
            raise InputError(msg, file=str(folder)) from error
        self._write(lines([tuple(LONG_COLUMNS)]))

    def add(self, read: Read) -> None:
        """Append the rows of one reading, in one piece."""
        self._write(lines(long_rows(read)))

    def _write(self, text: str) -> None:
        try:
            os.write(self._file, text.encode())
        except OSError as error:
            msg = f"Cannot go on writing {self.path} ({error.strerror}): make room and start the same line again."
            raise InputError(msg, file=str(self.path)) from error

    def close(self, *, remove: bool) -> None:
        """End the preview; it is removed when the whole table stands."""
        os.close(self._file)
        if remove:
            self.path.unlink(missing_ok=True)
