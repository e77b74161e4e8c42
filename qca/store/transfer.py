"""Copy, export, import and merge ledgers: whole and checked, or not at all."""

from __future__ import annotations

import contextlib
import gzip
import os
import secrets
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING

from sqlalchemy import insert, select

from qca.store import schema
from qca.store.address import parse_address
from qca.store.chain import Head, enter, head_of, history_of, keep_documents
from qca.store.connection import writing
from qca.store.database import Identity, create_file, create_on_server
from qca.store.entry import Document, Draft, Entry, chain_hash, json_line
from qca.store.errors import DamagedLedger, LedgerError
from qca.store.ledger import Ledger
from qca.store.rows import as_row
from qca.store.rules import STEP, State, state_of
from qca.store.salvage import salvage
from qca.store.source import EXPORT_SCHEMA, ExportSource, LedgerSource, SalvageSource, Source, checked

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection


@dataclass(frozen=True, slots=True)
class Transfer:
    """What a copy, export, import or merge did.

    Parameters
    ----------
    entries : int
        Entries written.
    head : Head
        Where the target ends now.
    skipped : int
        Entries that were in the target already (merge).
    late : tuple of str
        Reads for which the other ledger brought an entry that does not count, because the read is locked or its state
        does not allow it (merge).
    damage : str
        What was wrong with the source, where only a part could be saved.
    lost : int
        Intact entries behind the damage that were not taken, because the chain does not reach them.
    """

    entries: int
    head: Head
    skipped: int = 0
    late: tuple[str, ...] = ()
    damage: str = ""
    lost: int = 0


@contextlib.contextmanager
def open_source(place: str | Path, *, allow_damaged: bool = False) -> Iterator[Source]:
    """Open a ledger, an exported file (``.jsonl``, ``.jsonl.gz``), or a damaged SQLite ledger, for reading.

    Raises
    ------
    LedgerError
        If it cannot be opened.
    """
    address = parse_address(place)
    if address.path is not None and (address.path.name.endswith((".jsonl", ".jsonl.gz"))):
        yield ExportSource(address.path)
        return
    try:
        ledger = Ledger(place, readonly=True)
    except DamagedLedger:
        if not allow_damaged or address.path is None:
            raise
        yield SalvageSource(salvage(address.path))
        return
    with ledger:
        yield LedgerSource(ledger)


def copy(source: Source, target: str | Path) -> Transfer:
    """Make a new ledger with the same identity, entries and chain.

    Parameters
    ----------
    source : Source
        Checked while it is read.
    target : str or Path
        A file that does not exist yet, or a database without a ledger.

    Returns
    -------
    Transfer
        What was written.

    Raises
    ------
    LedgerError
        If the target is there already, cannot be written, or the source is damaged: nothing is left behind.
    """
    address = parse_address(target)
    identity: Identity = source.identity
    written: list[Head] = []

    def fill(connection: Connection) -> None:
        for item in checked(source):
            if isinstance(item, Document):
                keep_documents(connection, item)
            else:
                connection.execute(insert(schema.entry), [as_row(item)])
                written[:] = [Head(item.seq, item.hash, item.time_utc)]

    if address.path is not None:
        made = not address.path.exists() and create_file(address.path, address, identity, fill)
    else:
        made = create_on_server(address, identity, fill)
    if not made:
        msg = f"There is a ledger {address.shown} already: copy into a new one, or use  qca ledger merge."
        raise LedgerError(msg)
    head = written[0] if written else Head(0, "")
    if isinstance(source, SalvageSource):
        return Transfer(head.seq, head, damage=source.salvage.damage, lost=len(source.salvage.loose))
    return Transfer(head.seq, head)


def export(source: Source, path: Path) -> Transfer:
    """Write a ledger into one text file; see `qca.store.source` for its lines.

    Raises
    ------
    LedgerError
        If the file exists or cannot be written, or the source is damaged: nothing is left behind.
    """
    if path.exists():
        msg = f"There is a file {path} already: choose another name."
        raise LedgerError(msg)
    waiting = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with _create(waiting, packed=path.suffix == ".gz") as file:
            last = _write_lines(file, source)
        waiting.replace(path)
    except OSError as error:
        msg = f"Cannot write {path} ({error.strerror}): choose a folder that you may write to."
        raise LedgerError(msg) from error
    finally:
        waiting.unlink(missing_ok=True)
    return Transfer(last.seq, last)


@contextlib.contextmanager
def _create(path: Path, *, packed: bool) -> Iterator[IO[str]]:
    with path.open("xb") as raw:
        if packed:
            with gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0) as zipped:
                yield _Text(zipped)  # type: ignore[misc]  # has the one method that is used
        else:
            yield _Text(raw)  # type: ignore[misc]
        raw.flush()
        os.fsync(raw.fileno())


class _Text:
    """Write text into a binary file."""

    def __init__(self, file: IO[bytes] | gzip.GzipFile) -> None:
        self.file = file

    def write(self, text: str) -> None:
        self.file.write(text.encode())


def _write_lines(file: IO[str], source: Source) -> Head:
    identity = source.identity
    first = {"schema": EXPORT_SCHEMA, "ledger_id": identity.ledger_id, "created_utc": identity.created_utc}
    file.write(json_line(first) + "\n")
    last = Head(0, "")
    for item in checked(source):
        if isinstance(item, Document):
            text = item.text().decode("utf-8")
            file.write(json_line({"document": {"sha256": item.sha256, "text": text}}) + "\n")
        else:
            file.write(json_line({"entry": asdict(item)}) + "\n")
            last = Head(item.seq, item.hash, item.time_utc)
    file.write(json_line({"end": {"entries": last.seq, "hash": last.hash}}) + "\n")
    return last


def merge(source: Source, target: Ledger, *, actor: str) -> Transfer:
    """Append to a ledger what another one has and it has not.

    Entries keep their identity, time and origin, and get a new place in the chain, behind what is there. A last entry
    ``merged`` says from where and how many.

    Parameters
    ----------
    source : Source
        Checked while it is read.
    target : Ledger
        Open for writing.
    actor : str
        Who merges.

    Returns
    -------
    Transfer
        What was appended.

    Raises
    ------
    LedgerError
        If the source is damaged, or the two hold different entries under one identity: nothing is appended.
    """
    identity = source.identity
    taken = skipped = 0
    late: dict[str, None] = {}
    states: dict[tuple[str, str, str, int | None], State] = {}
    end = Head(0, "")
    with writing(target.engine, target.address) as connection:
        last = head_of(connection, target.ledger_id)
        for item in checked(source):
            if isinstance(item, Document):
                keep_documents(connection, item)
                continue
            end = Head(item.seq, item.hash, item.time_utc)
            if _is_there(connection, item, target):
                skipped += 1
                continue
            if not _counts(connection, item, states):
                late[f"{item.code} by {item.reader or item.actor}, {item.kind}"] = None
            seq = last.seq + 1
            moved = replace(item, seq=seq, previous=last.hash, hash=chain_hash(seq, last.hash, item.content()))
            connection.execute(insert(schema.entry), [as_row(moved)])
            last = Head(moved.seq, moved.hash, moved.time_utc)
            taken += 1
        if taken:
            detail = {"ledger": identity.ledger_id, "head": str(end), "taken": taken, "there_already": skipped}
            last = enter(connection, Draft("merged", actor, detail=detail), last, target.ledger_id)
    return Transfer(taken, last, skipped=skipped, late=tuple(late))


def _is_there(connection: Connection, item: Entry, target: Ledger) -> bool:
    query = select(schema.entry).where(schema.entry.c.entry_id == item.entry_id)
    row = connection.execute(query).first()
    if row is None:
        return False
    mine = Entry(**row._mapping)  # noqa: SLF001 - the documented way to a row's mapping
    if mine.content() != item.content():
        msg = (
            f"Entry {mine.seq} of {target.address.shown} and entry {item.seq} of the other ledger have one identity "
            "and say different things: one of them was changed; run  qca ledger check  on both."
        )
        raise DamagedLedger(msg)
    return True


def _counts(connection: Connection, item: Entry, states: dict[tuple[str, str, str, int | None], State]) -> bool:
    """Follow the state of the entry's read; tell whether the entry changes it."""
    if not item.code:
        return True
    key = (item.list_id, item.code, item.reader, item.passage)
    if key not in states:
        states[key] = state_of(entry.kind for entry in history_of(connection, *key))
    step = STEP.get((states[key], item.kind))
    if step is None:
        return False
    states[key] = step
    return True
