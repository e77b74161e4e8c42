"""The file of an SQLite ledger: is it whole, and how does it get its name."""

from __future__ import annotations

import os
import time
from pathlib import Path

from qca.store.errors import DamagedLedger, LedgerError

_HEADER = b"SQLite format 3\x00"
_SHORTEST = 512
"""Smallest page of an SQLite file."""

_LOOKS = 4
"""A writer at work can make a file look short for a moment."""


def check_file(path: Path) -> None:
    """Refuse an SQLite file that is empty, something else, or shorter than its own header says.

    Raises
    ------
    DamagedLedger
        Says what is wrong; the file is not touched.
    LedgerError
        If it cannot be read.
    """
    if path.is_dir():
        msg = f"{path} is a folder: give the ledger's file."
        raise LedgerError(msg)
    for turn in range(_LOOKS):
        size, expected, head = _look(path)
        if size == 0:
            msg = f"The ledger {path} is an empty file: take the newest copy, or delete it if a new ledger is meant."
            raise DamagedLedger(msg)
        if not _HEADER.startswith(head[: len(_HEADER)]):
            msg = f"{path} is no ledger: it is not an SQLite file."
            raise LedgerError(msg)
        if size >= max(expected, _SHORTEST):
            return
        time.sleep(0.02 * turn)
    msg = (
        f"The ledger {path} is damaged: {size} of its {max(expected, _SHORTEST)} bytes are there. It was not touched; "
        f"'qca ledger check' says what is readable, 'qca ledger copy' saves it into a new file."
    )
    raise DamagedLedger(msg)


def _look(path: Path) -> tuple[int, int, bytes]:
    """Read size, expected size and first bytes; while somebody writes, the expected size is not known and given as 0.

    The order matters: a writer first fills the journal, then writes the header, then makes the file longer, then
    empties the journal.
    """
    journal = path.with_name(path.name + "-journal")
    try:
        with path.open("rb") as file:
            head = file.read(100)
        busy = journal.exists() and journal.stat().st_size > 0
        size = path.stat().st_size
    except OSError as error:
        msg = f"Cannot read the ledger {path} ({error.strerror}): check the name and the permissions."
        raise LedgerError(msg) from error
    return size, 0 if busy else header_size(head), head


def header_size(head: bytes) -> int:
    """Bytes that an SQLite file should have by its header; 0 when the header does not say."""
    if len(head) < 100:
        return 0
    page = int.from_bytes(head[16:18], "big")
    pages = int.from_bytes(head[28:32], "big")
    # the count holds only if it was written together with the change counter
    return (65536 if page == 1 else page) * pages if head[24:28] == head[92:96] else 0


def give_name(waiting: Path, path: Path) -> bool:
    """Rename, but never over an existing file."""
    try:
        os.link(waiting, path)
    except FileExistsError:
        return False
    except OSError:  # a file system without hard links
        if path.exists():
            return False
        waiting.rename(path)
    return True
