"""The end of the chain: what stands there, and how an entry is put behind it. In the caller's transaction."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, insert, select

from qca.store import schema
from qca.store.entry import Document, Draft, Entry, chain_hash, content_hash, genesis, json_line
from qca.store.rows import as_entry, as_row, whole_number

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection


@dataclass(frozen=True, slots=True)
class Head:
    """Where the ledger ends: position and hash of its last entry, and its time; 0 and the genesis hash when empty."""

    seq: int
    hash: str
    time_utc: str = ""

    def __str__(self) -> str:
        """Write it for a receipt."""
        return f"{self.seq}:{self.hash}"


# statements of an append, formed once: forming them anew took a third of its time
_HEAD = select(schema.entry.c.seq, schema.entry.c.hash, schema.entry.c.time_utc)
_HEAD = _HEAD.order_by(schema.entry.c.seq.desc()).limit(1)
_OF_READ = (
    select(schema.entry)
    .where(
        schema.entry.c.list_id == bindparam("list_id"),
        schema.entry.c.code == bindparam("code"),
        schema.entry.c.reader == bindparam("reader"),
    )
    .order_by(schema.entry.c.seq)
)
_OF_PASS = _OF_READ.where(schema.entry.c.passage == bindparam("passage"))
_OF_NO_PASS = _OF_READ.where(schema.entry.c.passage.is_(None))
_MEASURED_JOB = select(schema.entry.c.seq).where(
    schema.entry.c.job == bindparam("job"), schema.entry.c.kind == "measured"
)
_MEASURED_JOB = _MEASURED_JOB.limit(1)
_KNOWN = select(schema.document.c.sha256).where(schema.document.c.sha256.in_(bindparam("names", expanding=True)))
_NEW_DOCUMENT = insert(schema.document)
_NEW_ENTRY = insert(schema.entry)


def keep_documents(connection: Connection, *documents: Document) -> None:
    """Enter documents unless they are there."""
    fresh = {document.sha256: document for document in documents}
    if not fresh:
        return
    for name in connection.execute(_KNOWN, {"names": list(fresh)}).scalars():
        fresh.pop(name, None)
    if fresh:
        rows = [{"sha256": one.sha256, "size": one.size, "body": one.body} for one in fresh.values()]
        connection.execute(_NEW_DOCUMENT, rows)


def head_of(connection: Connection, ledger_id: str) -> Head:
    """Give the end of the chain inside a transaction."""
    row = connection.execute(_HEAD).first()
    return Head(0, genesis(ledger_id)) if row is None else Head(whole_number(row.seq), str(row.hash), str(row.time_utc))


def history_of(connection: Connection, list_id: str, code: str, reader: str, passage: int | None) -> tuple[Entry, ...]:
    """Give the entries about one read, or, for an empty code, those about a whole list."""
    wanted: dict[str, object] = {"list_id": list_id, "code": code, "reader": reader}
    if passage is None:
        rows = connection.execute(_OF_NO_PASS, wanted).all()
    else:
        rows = connection.execute(_OF_PASS, {**wanted, "passage": passage}).all()
    return tuple(as_entry(row) for row in rows)


def job_entered(connection: Connection, job: str) -> bool:
    """Whether a measurement of this job stands in the ledger."""
    if not job:
        return False
    return connection.execute(_MEASURED_JOB, {"job": job}).first() is not None


def enter(connection: Connection, draft: Draft, last: Head, ledger_id: str, entered: list[Entry] | None = None) -> Head:
    """Put a draft behind the last entry, in the caller's transaction; the rules are the caller's business."""
    keep_documents(connection, *(each for each in (draft.picks, draft.reading) if each is not None))
    entry = _entry(draft, last, ledger_id)
    connection.execute(_NEW_ENTRY, as_row(entry))
    if entered is not None:
        entered.append(entry)
    return Head(entry.seq, entry.hash, entry.time_utc)


def _entry(draft: Draft, last: Head, origin: str) -> Entry:
    values: dict[str, Any] = {
        "entry_id": secrets.token_hex(16),
        "origin": origin,
        "kind": draft.kind,
        "time_utc": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "actor": draft.actor,
        "list_id": draft.list_id,
        "code": draft.code,
        "reader": draft.reader,
        "passage": draft.passage,
        "frame_sha256": draft.frame_sha256,
        "frame_index": draft.frame_index,
        "picks_sha256": draft.picks.sha256 if draft.picks else "",
        "reading_sha256": draft.reading.sha256 if draft.reading else "",
        "software": draft.software,
        "algorithm": draft.algorithm,
        "job": draft.job,
        "refers": draft.refers,
        "reason": draft.reason,
        "detail": json_line(dict(draft.detail)),
    }
    seq = last.seq + 1
    return Entry(seq=seq, previous=last.hash, hash=chain_hash(seq, last.hash, content_hash(values)), **values)
