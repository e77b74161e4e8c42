"""What readers and the coordinator do with a list: enter, lock, unlock, withdraw, open the key."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from qca.errors import InputError
from qca.lists.progress import DONE, is_unblinded, states
from qca.lists.reading_list import ListedRead, ReadingList, open_key
from qca.store.drafts import reading_draft
from qca.store.entry import Document, Draft, Entry
from qca.store.ledger import Ledger
from qca.store.rules import standing

if TYPE_CHECKING:
    from qca.reading import Reading

COORDINATOR = "coordinator"


def enter(listing: ReadingList, ledger: Ledger, read: ListedRead, reading: Reading) -> Entry:
    """Enter a reading of a list's frame; called again for the same read, it enters an edit.

    Parameters
    ----------
    listing, ledger, read
        What was read.
    reading : Reading
        Measured on the coded copy.

    Returns
    -------
    Entry
        On the disk when this returns.

    Raises
    ------
    InputError
        If the reading is of another frame than the list fixes.
    LedgerError
        If the read is locked, or the ledger cannot be written.
    """
    if read.frame is not None and reading.frame.index != read.frame:
        msg = f"{read.code} is to be read on frame {read.frame}, not {reading.frame.index}: choose that frame."
        raise InputError(msg)
    name = listing.name(read)
    state, counts = standing(ledger.history(name.list_id, name.code, name.reader, name.passage))
    kind = "edited" if counts is not None and state == "open" else "measured"
    (entry,) = ledger.append(reading_draft(reading, name, actor=read.reader, kind=kind))
    return entry


def refuse(listing: ReadingList, ledger: Ledger, read: ListedRead, reason: str) -> Entry:
    """Enter that a frame cannot be measured, and why."""
    return _about(listing, ledger, read, "refused", read.reader, reason)


def latest(listing: ReadingList, ledger: Ledger, read: ListedRead) -> str | None:
    """Give the text of the reading.json that stands for a read, to go on with it; None when there is none."""
    name = listing.name(read)
    _, counts = standing(ledger.history(name.list_id, name.code, name.reader, name.passage))
    return None if counts is None else ledger.document(counts.reading_sha256).decode("utf-8")


def lock(listing: ReadingList, ledger: Ledger, read: ListedRead, *, actor: str | None = None) -> Entry:
    """Lock a reading: from now on it is only changed after an unlock with a reason."""
    return _about(listing, ledger, read, "locked", actor or read.reader, "")


def lock_all(listing: ReadingList, ledger: Ledger, reader: str, *, actor: str | None = None) -> int:
    """Lock all readings of a reader that are not locked, in one step.

    Returns
    -------
    int
        How many were locked.
    """
    known = states(listing, ledger)
    waiting = [read for read in listing.of(reader) if known.get(read.code) in ("open", "refused")]
    ledger.append(*(_draft(listing, read, "locked", actor or reader, "") for read in waiting))
    return len(waiting)


def unlock(listing: ReadingList, ledger: Ledger, read: ListedRead, reason: str, *, actor: str = COORDINATOR) -> Entry:
    """Unlock a reading, with a reason."""
    return _about(listing, ledger, read, "unlocked", actor, reason)


def withdraw(listing: ReadingList, ledger: Ledger, read: ListedRead, reason: str, *, actor: str = COORDINATOR) -> Entry:
    """Withdraw a reading, with a reason: it stays in the record and counts no more."""
    return _about(listing, ledger, read, "withdrawn", actor, reason)


def unblind(
    listing: ReadingList,
    ledger: Ledger,
    key: Path,
    reason: str,
    *,
    actor: str = COORDINATOR,
    anyway: bool = False,
) -> Entry:
    """Open the key: from now on the record says which reads are of one frame. Files and names stay in the key.

    Parameters
    ----------
    listing, ledger
        The list.
    key : Path
        The key that was made with it, unchanged.
    reason : str
        Why now.
    actor : str
        Who.
    anyway : bool
        Although reads are still open.

    Raises
    ------
    InputError
        If it is not the key, reads are still open, or it was opened before.
    """
    rows = open_key(key, listing)
    if is_unblinded(listing, ledger):
        msg = "This list was unblinded already: the key is in the record."
        raise InputError(msg)
    known = states(listing, ledger)
    waiting = sum(known.get(read.code, "none") not in DONE - {"refused"} for read in listing.reads)
    if waiting and not anyway:
        msg = (
            f"{waiting} of {len(listing.reads)} reads are not locked: lock them first; opening the key before that "
            "ends the blinding of what is still to be read."
        )
        raise InputError(msg)
    text = json.dumps({"items": {row.code: row.item for row in rows}}, sort_keys=True)
    detail = {"not_locked": waiting, "key_sha256": listing.key_sha256}
    draft = Draft("unblinded", actor, list_id=listing.list_id, reading=Document.of(text), reason=reason, detail=detail)
    (entry,) = ledger.append(draft)
    return entry


def items(list_id: str, ledger: Ledger) -> dict[str, str]:
    """Give the item behind each code of an unblinded list; empty before that."""
    for entry in reversed(ledger.history(list_id, "", "", None)):
        if entry.kind == "unblinded":
            found = json.loads(ledger.document(entry.reading_sha256))["items"]
            return {str(code): str(item) for code, item in found.items()}
    return {}


def chosen(listing: ReadingList, codes: Sequence[str]) -> tuple[ListedRead, ...]:
    """Give the reads of several codes."""
    return tuple(listing.read(code) for code in codes)


def _draft(listing: ReadingList, read: ListedRead, kind: str, actor: str, reason: str) -> Draft:
    return Draft(
        kind,
        actor,
        list_id=listing.list_id,
        code=read.code,
        reader=read.reader,
        passage=read.passage,
        reason=reason,
    )


def _about(listing: ReadingList, ledger: Ledger, read: ListedRead, kind: str, actor: str, reason: str) -> Entry:
    (entry,) = ledger.append(_draft(listing, read, kind, actor, reason))
    return entry
