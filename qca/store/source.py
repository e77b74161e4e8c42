"""Where the rows of a copy come from: an open ledger, an exported file, or what is left of a damaged one.

An export is text, one JSON object per line, gzip-packed when its name ends in ``.gz``::

    {"schema": "qca.ledger/1", "ledger_id": "...", "created_utc": "..."}
    {"document": {"sha256": "...", "text": "..."}}       before the first entry that names it
    {"entry": {"seq": 1, ..., "hash": "..."}}
    {"end": {"entries": 812, "hash": "..."}}
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Protocol

from sqlalchemy import select

from qca.store import schema
from qca.store.chain import Head
from qca.store.connection import reading
from qca.store.database import Identity
from qca.store.entry import Document, Entry, genesis
from qca.store.errors import DamagedLedger, LedgerError
from qca.store.ledger import Ledger
from qca.store.rows import as_document
from qca.store.salvage import Salvage

EXPORT_SCHEMA = "qca.ledger/1"
_CHUNK = 100

Item = Document | Entry
"""A document stands before the first entry that names it."""


class Source(Protocol):
    """Identity and rows of a ledger, in order."""

    @property
    def identity(self) -> Identity:
        """Who it is."""

    def items(self) -> Iterator[Item]:
        """Give every document and entry once."""


@dataclass(frozen=True, slots=True)
class LedgerSource:
    """An open ledger; what is appended meanwhile is left out."""

    ledger: Ledger

    @property
    def identity(self) -> Identity:
        """Its identity."""
        with reading(self.ledger.engine, self.ledger.address) as connection:
            row = connection.execute(select(schema.ledger)).one()
        return Identity(str(row.ledger_id), str(row.created_utc))

    def items(self) -> Iterator[Item]:
        """Give documents in the order in which entries name them."""
        until = self.ledger.head().seq
        given: set[bytes] = set()
        waiting: list[Entry] = []
        for entry in self.ledger.entries():
            if entry.seq > until:
                break
            waiting.append(entry)
            if len(waiting) == _CHUNK:
                yield from self._with_documents(waiting, given)
                waiting = []
        yield from self._with_documents(waiting, given)

    def _with_documents(self, entries: list[Entry], given: set[bytes]) -> Iterator[Item]:
        names = [name for entry in entries for name in (entry.picks_sha256, entry.reading_sha256) if name]
        fresh = [name for name in dict.fromkeys(names) if bytes.fromhex(name) not in given]
        query = select(schema.document).where(schema.document.c.sha256.in_(fresh))
        with reading(self.ledger.engine, self.ledger.address) as connection:
            rows = {str(row.sha256): row for row in connection.execute(query).all()}
        for entry in entries:
            for name in (entry.picks_sha256, entry.reading_sha256):
                if name and bytes.fromhex(name) not in given:
                    if name not in rows:
                        msg = f"The document of entry {entry.seq} is lost: run  qca ledger check."
                        raise DamagedLedger(msg)
                    given.add(bytes.fromhex(name))
                    yield as_document(rows[name])
            yield entry


@dataclass(frozen=True, slots=True)
class SalvageSource:
    """The intact chain of a damaged ledger."""

    salvage: Salvage

    @property
    def identity(self) -> Identity:
        """Its identity.

        Raises
        ------
        DamagedLedger
            If nothing says whose entries these are.
        """
        if not self.salvage.ledger_id:
            msg = f"{self.salvage.path} cannot be saved: {self.salvage.damage} Its beginning is lost; take a copy."
            raise DamagedLedger(msg)
        return Identity(self.salvage.ledger_id, self.salvage.created_utc)

    def items(self) -> Iterator[Item]:
        """Give the chain up to its first gap."""
        given: set[str] = set()
        for entry in self.salvage.chain:
            for name in (entry.picks_sha256, entry.reading_sha256):
                if name and name not in given:
                    given.add(name)
                    yield self.salvage.document(name)
            yield entry


@dataclass(frozen=True, slots=True)
class ExportSource:
    """An exported file."""

    path: Path

    @property
    def identity(self) -> Identity:
        """Its first line.

        Raises
        ------
        LedgerError
            If it is no export, or one of a newer program.
        """
        try:
            with _open(self.path) as file:
                head = self._parse(file.readline(), 1)
        except (OSError, EOFError, UnicodeDecodeError) as error:
            msg = f"{self.path.name} is no exported ledger, or it is damaged: its first line cannot be read."
            raise DamagedLedger(msg) from error
        if head.get("schema") != EXPORT_SCHEMA:
            shown = repr(head.get("schema"))[:40]
            msg = f"{self.path.name} is no exported ledger: its first line says {shown}, not {EXPORT_SCHEMA!r}."
            raise LedgerError(msg)
        return Identity(str(head.get("ledger_id", "")), str(head.get("created_utc", "")))

    def items(self) -> Iterator[Item]:
        """Read line by line.

        Raises
        ------
        DamagedLedger
            If a line is not what was written, or the last line is not there: the file was cut.
        """
        number, ended = 1, False
        try:
            with _open(self.path) as file:
                file.readline()
                for number, line in enumerate(file, start=2):
                    value = self._parse(line, number)
                    if "document" in value:
                        yield self._document(value["document"], number)
                    elif "entry" in value:
                        yield self._entry(value["entry"], number)
                    ended = "end" in value
        except (OSError, EOFError, UnicodeDecodeError) as error:
            msg = f"{self.path.name} cannot be read behind line {number}: it is cut or damaged."
            raise DamagedLedger(msg) from error
        if not ended:
            msg = f"{self.path.name} ends at line {number} without its closing line: the export is not whole."
            raise DamagedLedger(msg)

    def _parse(self, line: str, number: int) -> dict[str, Any]:
        try:
            value = json.loads(line)
        except (ValueError, RecursionError):
            value = None
        if not isinstance(value, dict):
            msg = f"{self.path.name}, line {number}, is no line of an exported ledger: the file is damaged."
            raise DamagedLedger(msg)
        return value

    def _document(self, value: object, number: int) -> Document:
        text = value.get("text") if isinstance(value, dict) else None
        document = Document.of(text) if isinstance(text, str) else None
        if document is None or document.sha256 != value.get("sha256"):  # type: ignore[attr-defined]  # a dict by now
            msg = f"{self.path.name}, line {number}: the document is not the one its hash names; it was changed."
            raise DamagedLedger(msg)
        return document

    def _entry(self, value: object, number: int) -> Entry:
        try:
            return Entry(**value)  # type: ignore[arg-type]
        except TypeError:
            msg = f"{self.path.name}, line {number}: the entry lacks a field or has a strange one."
            raise DamagedLedger(msg) from None


def _open(path: Path) -> IO[str]:
    try:
        if path.suffix == ".gz":
            return gzip.open(path, "rt", encoding="utf-8", newline="\n")
        return path.open(encoding="utf-8", newline="\n")
    except OSError as error:
        msg = f"Cannot read {path} ({error.strerror}): check the name and the permissions."
        raise LedgerError(msg) from error


def checked(source: Source) -> Iterator[Item]:
    """Give the items of a source, and refuse the first one that breaks the chain.

    Raises
    ------
    DamagedLedger
        Names the entry.
    """
    last = Head(0, genesis(source.identity.ledger_id))
    here: set[bytes] = set()
    for item in source.items():
        if isinstance(item, Document):
            try:
                item.text()
            except ValueError as error:
                msg = f"After entry {last.seq}: {error}; the chain of documents is broken there."
                raise DamagedLedger(msg) from None
            here.add(bytes.fromhex(item.sha256))
        else:
            whole = item.seq == last.seq + 1 and item.previous == last.hash and _intact(item)
            if not whole:
                msg = f"Entry {item.seq} does not continue entry {last.seq} as it was entered: the chain breaks there."
                raise DamagedLedger(msg)
            names = [name for name in (item.picks_sha256, item.reading_sha256) if name]
            if any(bytes.fromhex(name) not in here for name in names):
                msg = f"The document of entry {item.seq} is lost."
                raise DamagedLedger(msg)
            last = Head(item.seq, item.hash, item.time_utc)
        yield item


def _intact(entry: Entry) -> bool:
    try:
        return entry.intact()
    except (TypeError, ValueError):
        return False
