"""The ledger itself: append entries, read them, know what stands."""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import NoneType, TracebackType
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import bindparam, insert, select

from qca.store import rules, schema
from qca.store.address import parse_address
from qca.store.database import connect, reading, writing
from qca.store.entry import (
    CONTENT_FIELDS,
    Document,
    Draft,
    Entry,
    chain_hash,
    content_hash,
    genesis,
    json_line,
)
from qca.store.errors import DamagedLedger

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection, Row

ReadKey = tuple[str, str, str, int | None]
"""List, code, reader, pass: a read."""

_CHUNK = 500
"""Rows fetched at a time: short transactions, so that readers never keep writers waiting, and flat memory."""


@dataclass(frozen=True, slots=True)
class Head:
    """Where the ledger ends: position and hash of its last entry, and its time; 0 and the genesis hash when empty."""

    seq: int
    hash: str
    time_utc: str = ""

    def __str__(self) -> str:
        """Write it for a receipt."""
        return f"{self.seq}:{self.hash}"


class Ledger:
    """An open ledger.

    Parameters
    ----------
    place : str or Path
        File name or database URL.
    create : bool
        Make it if it is not there.
    readonly : bool
        Refuse every append.

    Attributes
    ----------
    ledger_id : str
        Identity, from its creation.
    address : Address
        Place, without secrets when shown.

    Raises
    ------
    LedgerError
        If it cannot be opened.
    """

    def __init__(self, place: str | Path, *, create: bool = False, readonly: bool = False) -> None:
        self.address = parse_address(place)
        self._engine = connect(self.address, create=create, readonly=readonly)
        with reading(self._engine, self.address) as connection:
            self.ledger_id = str(connection.execute(select(schema.ledger.c.ledger_id)).scalars().one())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Ledger({self.address.shown!r})"

    def close(self) -> None:
        """Give the connections back."""
        self._engine.dispose()

    # -- writing ------------------------------------------------------------------------------------------------

    def append(self, *drafts: Draft) -> tuple[Entry, ...]:
        """Enter one or more drafts in one transaction: all of them or none.

        Returns
        -------
        tuple of Entry
            As entered. When this returns, the entries are on the disk.

        Raises
        ------
        LedgerRule
            If a rule of the record forbids one of them (see `qca.store.rules`).
        LedgerError
            If they cannot be written.
        """
        entered: list[Entry] = []
        with writing(self._engine, self.address) as connection:
            last = head_of(connection, self.ledger_id)
            for draft in drafts:
                key = (draft.list_id, draft.code, draft.reader, draft.passage)
                rules.check(draft, history_of(connection, *key), job_entered=_job_entered(connection, draft.job))
                last = enter(connection, draft, last, self.ledger_id, entered)
        return tuple(entered)

    # -- reading ------------------------------------------------------------------------------------------------

    def head(self) -> Head:
        """Tell where the ledger ends."""
        with reading(self._engine, self.address) as connection:
            return head_of(connection, self.ledger_id)

    def entries(
        self,
        *,
        after: int = 0,
        kinds: Sequence[str] = (),
        list_id: str | None = None,
        code: str | None = None,
        reader: str | None = None,
    ) -> Iterator[Entry]:
        """Give entries in order, a few hundred fetched at a time.

        Parameters
        ----------
        after : int
            Start behind this position.
        kinds : sequence of str
            Only these kinds, when given.
        list_id, code, reader : str or None
            Only of this list, code or reader, when given.
        """
        table = schema.entry.c
        wanted = [
            column == value
            for column, value in ((table.list_id, list_id), (table.code, code), (table.reader, reader))
            if value is not None
        ]
        if kinds:
            wanted.append(table.kind.in_(kinds))
        while True:
            query = select(schema.entry).where(table.seq > after, *wanted).order_by(table.seq).limit(_CHUNK)
            with reading(self._engine, self.address) as connection:
                rows = connection.execute(query).all()
            yield from (as_entry(row) for row in rows)
            if len(rows) < _CHUNK:
                return
            after = _whole(rows[-1].seq)

    def entries_of_jobs(self, jobs: Sequence[str]) -> tuple[Entry, ...]:
        """Give the entries that batch work left behind, in order."""
        found: list[Entry] = []
        for start in range(0, len(jobs), _CHUNK):
            query = select(schema.entry).where(schema.entry.c.job.in_(jobs[start : start + _CHUNK]))
            with reading(self._engine, self.address) as connection:
                found.extend(as_entry(row) for row in connection.execute(query).all())
        return tuple(sorted(found, key=lambda entry: entry.seq))

    def document(self, sha256: str) -> bytes:
        """Give the text that a hash names.

        Raises
        ------
        DamagedLedger
            If it is not there or not what was entered.
        """
        return self.documents([sha256])[sha256]

    def documents(self, hashes: Sequence[str]) -> Mapping[str, bytes]:
        """Give several texts.

        Raises
        ------
        DamagedLedger
            If one is not there or not what was entered.
        """
        query = select(schema.document).where(schema.document.c.sha256.in_(list(hashes)))
        with reading(self._engine, self.address) as connection:
            rows = {str(row.sha256): row for row in connection.execute(query).all()}
        texts: dict[str, bytes] = {}
        for sha256 in hashes:
            row = rows.get(sha256)
            if row is None:
                msg = f"The ledger {self.address.shown} has lost the document {sha256[:12]}: run  qca ledger check."
                raise DamagedLedger(msg)
            try:
                texts[sha256] = as_document(row).text()
            except ValueError as error:
                msg = f"The ledger {self.address.shown} is damaged: {error}; run  qca ledger check."
                raise DamagedLedger(msg) from None
        return texts

    def raw_documents(self, *, after: int = 0, chunk: int = 64) -> Iterator[tuple[int, Document]]:
        """Give all documents with their numbers, unchecked, in the order of their entry."""
        table = schema.document.c
        while True:
            query = select(schema.document).where(table.number > after).order_by(table.number).limit(chunk)
            with reading(self._engine, self.address) as connection:
                rows = connection.execute(query, execution_options={"qca_binary": True}).all()
            yield from ((_whole(row.number), as_document(row)) for row in rows)
            if len(rows) < chunk:
                return
            after = _whole(rows[-1].number)

    def events(self, list_id: str) -> Iterator[tuple[str, str, int | None, str, int]]:
        """Give ``(code, reader, pass, kind, position)`` of every entry of a list, read by read, from an index alone."""
        table = schema.entry.c
        query = (
            select(table.code, table.reader, table.passage, table.kind, table.seq)
            .where(table.list_id == list_id)
            .order_by(table.list_id, table.code, table.reader, table.passage, table.seq)
        )
        with reading(self._engine, self.address) as connection:
            for row in connection.execute(query).all():
                yield (row.code, row.reader, row.passage, row.kind, row.seq)

    def history(self, list_id: str, code: str, reader: str, passage: int | None) -> tuple[Entry, ...]:
        """Give all entries about one read, in order."""
        with reading(self._engine, self.address) as connection:
            return history_of(connection, list_id, code, reader, passage)

    def histories(self, list_id: str, codes: Sequence[str]) -> Mapping[ReadKey, tuple[Entry, ...]]:
        """Give all entries about several codes of one list, by (list, code, reader, pass), in order."""
        table = schema.entry.c
        query = select(schema.entry).where(table.list_id == list_id, table.code.in_(list(codes))).order_by(table.seq)
        with reading(self._engine, self.address) as connection:
            entries = [as_entry(row) for row in connection.execute(query).all()]
        found: dict[ReadKey, list[Entry]] = {}
        for entry in entries:
            found.setdefault((entry.list_id, entry.code, entry.reader, entry.passage), []).append(entry)
        return {key: tuple(group) for key, group in found.items()}

    def entry_at(self, seq: int) -> Entry | None:
        """Give the entry at a position."""
        with reading(self._engine, self.address) as connection:
            row = connection.execute(select(schema.entry).where(schema.entry.c.seq == seq)).first()
        return None if row is None else as_entry(row)

    @property
    def engine(self) -> Any:  # noqa: ANN401 - for the modules of this package
        """The database engine."""
        return self._engine


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


def _whole(value: object) -> int:
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


_KINDS: dict[str, type | tuple[type, ...]] = {
    **dict.fromkeys((*CONTENT_FIELDS, "previous", "hash"), str),
    "seq": int,
    "passage": (int, NoneType),
    "frame_index": (int, NoneType),
}


def as_row(entry: Entry) -> dict[str, object]:
    """Turn an entry into column values."""
    return {name: getattr(entry, name) for name in (*CONTENT_FIELDS, "seq", "previous", "hash")}


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
    return Head(0, genesis(ledger_id)) if row is None else Head(_whole(row.seq), str(row.hash), str(row.time_utc))


def history_of(connection: Connection, list_id: str, code: str, reader: str, passage: int | None) -> tuple[Entry, ...]:
    """Give the entries about one read, or, for an empty code, those about a whole list."""
    wanted: dict[str, object] = {"list_id": list_id, "code": code, "reader": reader}
    if passage is None:
        rows = connection.execute(_OF_NO_PASS, wanted).all()
    else:
        rows = connection.execute(_OF_PASS, {**wanted, "passage": passage}).all()
    return tuple(as_entry(row) for row in rows)


def _job_entered(connection: Connection, job: str) -> bool:
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
