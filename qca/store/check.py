"""Prove that nothing in a ledger was changed or lost."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import or_, select, text

from qca.errors import InputError
from qca.store import schema
from qca.store.chain import Head
from qca.store.connection import reading
from qca.store.entry import Document, genesis
from qca.store.ledger import Ledger
from qca.whole_file import write_whole

_THREADS = min(4, os.cpu_count() or 1)
"""Unpacking and hashing run outside the interpreter's lock."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a check found.

    Parameters
    ----------
    intact : bool
        True when every entry and document is what was entered, and the ends of all receipts are still inside.
    entries, documents : int
        How many were checked.
    head : Head
        Where the intact part ends.
    broken_at : int or None
        Position of the first entry that is not what was entered, or whose document is not; None when intact.
    problem : str
        What is wrong, in one sentence; empty when intact.
    remarks : tuple of str
        Nothing wrong, but worth knowing: a clock that ran back.
    """

    intact: bool
    entries: int
    documents: int
    head: Head
    broken_at: int | None
    problem: str
    remarks: tuple[str, ...]


def check(ledger: Ledger, *, receipts: tuple[Head, ...] = ()) -> Verdict:
    """Walk the whole chain and every document.

    Parameters
    ----------
    ledger : Ledger
        Open for reading at least.
    receipts : tuple of Head
        Ends that were noted earlier, outside the ledger. Only they show that entries were cut off at the end: a chain
        that ends early is a chain.

    Returns
    -------
    Verdict
        Entries that are appended while the check runs are left out.

    Raises
    ------
    LedgerError
        If the ledger cannot be read to its end.
    """
    walked = _walk(ledger, receipts)
    if walked.problem:
        return walked
    documents, bad = _check_documents(ledger)
    problem, broken_at = "", None
    if bad:
        broken_at = min((_first_user(ledger, sha256) for sha256 in bad), default=None)
        problem = f"The document of entry {broken_at} is not what was entered."
    else:
        broken_at = _lost_document(ledger, walked.head.seq)
        if broken_at is not None:
            problem = f"The document of entry {broken_at} is lost."
    if not problem and ledger.address.path is not None:
        problem = _sqlite_says(ledger)
    return replace(walked, intact=not problem, documents=documents, broken_at=broken_at, problem=problem)


def _walk(ledger: Ledger, receipts: tuple[Head, ...]) -> Verdict:
    last = Head(0, genesis(ledger.ledger_id))
    due = {receipt.seq: receipt.hash for receipt in receipts}
    remarks: list[str] = []
    problem, broken_at, until = "", None, ledger.head().seq
    for entry in ledger.entries():
        if entry.seq > until:
            break
        expected = last.seq + 1
        if entry.seq != expected:
            missing = f"{expected}" if entry.seq == expected + 1 else f"{expected} to {entry.seq - 1}"
            problem, broken_at = f"Entry {missing} is missing: entry {entry.seq} follows {last.seq}.", expected
        elif entry.previous != last.hash:
            problem, broken_at = f"Entry {entry.seq} does not continue entry {last.seq}: the chain is cut.", entry.seq
        elif not entry.intact():
            problem, broken_at = f"Entry {entry.seq} was changed after it was entered.", entry.seq
        elif due.get(entry.seq, entry.hash) != entry.hash:
            problem = f"Entry {entry.seq} is not the one of the receipt: the ledger was rewritten."
            broken_at = entry.seq
        if problem:
            break
        if entry.time_utc < last.time_utc:
            remarks.append(f"The clock ran back at entry {entry.seq}: {last.time_utc}, then {entry.time_utc}.")
        last = Head(entry.seq, entry.hash, entry.time_utc)
    if not problem and due and max(due) > last.seq:
        broken_at = last.seq + 1
        problem = f"The ledger ends at entry {last.seq}, a receipt knows entry {max(due)}: its end was cut off."
    return Verdict(not problem, last.seq, 0, last, broken_at, problem, tuple(remarks))


def _check_documents(ledger: Ledger) -> tuple[int, list[str]]:
    """Count documents, and give the hashes of those that do not match."""
    count = 0
    bad: list[str] = []
    working: deque[Future[list[str]]] = deque()
    with ThreadPoolExecutor(_THREADS) as threads:
        for batch in _batches(ledger):
            count += len(batch)
            # while threads unpack some, the next are fetched; few enough that memory stays flat
            working.append(threads.submit(_mismatches, batch))
            if len(working) > 2 * _THREADS:
                bad += working.popleft().result()
        for each in working:
            bad += each.result()
    return count, bad


def _batches(ledger: Ledger, size: int = 64) -> Iterator[list[Document]]:
    batch: list[Document] = []
    for _, document in ledger.raw_documents(chunk=size):
        batch.append(document)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch


def _mismatches(documents: list[Document]) -> list[str]:
    """Hashes of documents that are not what was entered."""
    return [document.sha256 for document in documents if not _matches(document)]


def _matches(document: Document) -> bool:
    try:
        document.text()
    except ValueError:
        return False
    return True


def _first_user(ledger: Ledger, sha256: str) -> int:
    """Position of the first entry that names a document; 0 when none does."""
    table = schema.entry.c
    query = select(table.seq).where(or_(table.picks_sha256 == sha256, table.reading_sha256 == sha256))
    with reading(ledger.engine, ledger.address) as connection:
        row = connection.execute(query.order_by(table.seq).limit(1)).first()
    return 0 if row is None else int(row.seq)


def _lost_document(ledger: Ledger, until: int) -> int | None:
    """Position of the first entry whose document is not there."""
    found: list[int] = []
    for column in (schema.entry.c.picks_sha256, schema.entry.c.reading_sha256):
        joined = schema.entry.outerjoin(schema.document, schema.document.c.sha256 == column)
        query = (
            select(schema.entry.c.seq)
            .select_from(joined)
            .where(column != "", schema.document.c.number.is_(None), schema.entry.c.seq <= until)
            .order_by(schema.entry.c.seq)
            .limit(1)
        )
        with reading(ledger.engine, ledger.address) as connection:
            row = connection.execute(query).first()
        if row is not None:
            found.append(int(row.seq))
    return min(found, default=None)


def _sqlite_says(ledger: Ledger) -> str:
    """SQLite's own check of its pages and indexes; empty when fine."""
    with reading(ledger.engine, ledger.address) as connection:
        rows = connection.execute(text("PRAGMA integrity_check(1)")).all()
    return "" if rows and rows[0][0] == "ok" else f"The database's own check says: {str(rows[0][0])[:200]}."


def read_receipts(path: Path, ledger_id: str) -> tuple[Head, ...]:
    """Read the ends noted in a receipt file; none when there is no such file.

    Raises
    ------
    InputError
        If it is no receipt file, or one of another ledger.
    """
    if not path.exists():
        return ()
    try:
        lines = path.read_text(encoding="utf-8").split("\n")
    except (OSError, UnicodeDecodeError) as error:
        msg = f"Cannot read the receipts in {path}: check the name."
        raise InputError(msg, file=path.name) from error
    heads: list[Head] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        name, _, rest = line.partition(" ")
        seq, _, value = rest.partition(":")
        if len(name) != 32 or not seq.isdigit() or len(value) != 64:
            msg = f"{path.name}, line {number}, is no receipt of a ledger: give a file that 'qca ledger check' wrote."
            raise InputError(msg, file=path.name)
        if name != ledger_id:
            msg = f"{path.name}, line {number}, is a receipt of another ledger: check which file belongs to which."
            raise InputError(msg, file=path.name)
        heads.append(Head(int(seq), value))
    return tuple(heads)


def add_receipt(path: Path, ledger_id: str, head: Head) -> None:
    """Note where the ledger ends now, below what the file holds."""
    before = path.read_text(encoding="utf-8") if path.exists() else ""
    write_whole(path, f"{before}{ledger_id} {head}\n")
