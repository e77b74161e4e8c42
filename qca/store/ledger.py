"""The ledger itself: append entries, read them, know what stands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import select

from qca.store import rules, schema
from qca.store.address import parse_address
from qca.store.chain import Head, enter, head_of, history_of, job_entered
from qca.store.connection import reading, writing
from qca.store.database import connect
from qca.store.entry import Document, Draft, Entry
from qca.store.errors import DamagedLedger
from qca.store.rows import as_document, as_entry, whole_number

ReadKey = tuple[str, str, str, int | None]
"""List, code, reader, pass: a read."""

_CHUNK = 500
"""Rows fetched at a time: short transactions, so that readers never keep writers waiting, and flat memory."""


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
                rules.check(draft, history_of(connection, *key), job_entered=job_entered(connection, draft.job))
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
            after = whole_number(rows[-1].seq)

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
            yield from ((whole_number(row.number), as_document(row)) for row in rows)
            if len(rows) < chunk:
                return
            after = whole_number(rows[-1].number)

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
