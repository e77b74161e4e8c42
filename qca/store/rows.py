"""Between database rows and what they mean, with distrust: a damaged file may say anything."""

from __future__ import annotations

from types import NoneType
from typing import TYPE_CHECKING, Any

from qca.store.entry import CONTENT_FIELDS, Document, Entry
from qca.store.errors import DamagedLedger

if TYPE_CHECKING:
    from sqlalchemy.engine import Row

_KINDS: dict[str, type | tuple[type, ...]] = {
    **dict.fromkeys((*CONTENT_FIELDS, "previous", "hash"), str),
    "seq": int,
    "passage": (int, NoneType),
    "frame_index": (int, NoneType),
}


def as_entry(row: Row[Any]) -> Entry:
    """Turn a database row into an entry.

    Raises
    ------
    DamagedLedger
        If a value is not of its kind; SQLite does not keep a damaged file from saying anything.
    """
    entry = Entry(**row._mapping)  # noqa: SLF001 - the documented way to a row's mapping
    for name, kind in _KINDS.items():
        if not isinstance(getattr(entry, name), kind):
            msg = f"The ledger is damaged: the {name} of an entry near {entry.seq!r} is of the wrong kind."
            raise DamagedLedger(msg)
    return entry


def whole_number(value: object) -> int:
    """Give a value that must be a whole number; DamagedLedger if it is not."""
    if isinstance(value, int):
        return value
    msg = f"The ledger is damaged: {str(value)[:20]!r} stands where a number should."
    raise DamagedLedger(msg)


def as_document(row: Row[Any]) -> Document:
    """Turn a database row into a document.

    Raises
    ------
    DamagedLedger
        If a value is not of its kind.
    """
    if not (isinstance(row.sha256, str) and isinstance(row.size, int) and isinstance(row.body, (bytes, memoryview))):
        msg = "The ledger is damaged: a document's row holds a value of the wrong kind."
        raise DamagedLedger(msg)
    return Document(row.sha256, row.size, bytes(row.body))


def as_row(entry: Entry) -> dict[str, object]:
    """Turn an entry into column values."""
    return {name: getattr(entry, name) for name in (*CONTENT_FIELDS, "seq", "previous", "hash")}
