"""A reading list on the disk: a folder for the readers, and a key that they do not need.

::

    study/list.json      what the coordinator chose, and the hash of the key
    study/list.csv       order, code, reader, pass, file, frame
    study/frames/        coded copies
    study/ledger.sqlite  the record, unless it is kept elsewhere
    study-key.csv        code -> frame and file: kept away from the readers
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from qca.csv_text import read_header, read_rows
from qca.errors import InputError
from qca.json_text import read_json
from qca.lists.frames import frame_number
from qca.store.drafts import ReadName
from qca.store.entry import Document, Draft
from qca.store.errors import LedgerError
from qca.store.ledger import Ledger

LIST_SCHEMA = "qca.list/1"

LIST_COLUMNS = ("order", "code", "reader", "pass", "file", "frame")

KEY_COLUMNS = ("code", "item", "reader", "pass", "file", "frame", "sha256", "coded_sha256", "list_id", "seed")


@dataclass(frozen=True, slots=True)
class ListedRead:
    """One read of a list.

    Parameters
    ----------
    order : int
        Place in the reader's sequence, from 1.
    code, reader : str
        Opaque code; who reads it.
    passage : int
        Pass, from 1.
    file : Path
        The coded copy.
    frame : int or None
        Frame number where the coordinator fixed it.
    """

    order: int
    code: str
    reader: str
    passage: int
    file: Path
    frame: int | None


@dataclass(frozen=True, slots=True)
class ReadingList:
    """A reading list, as a reader may know it: no file names, no relation between codes.

    Parameters
    ----------
    folder : Path
        Where it is.
    list_id : str
        Identity.
    readers : tuple of str
        Reader codes.
    passes : int
        Full passes.
    washout_days : float
        Days between the end of a reader's pass and the next one.
    ledger : str
        Where the record is: a file name relative to the folder, or a URL without its password.
    key_sha256 : str
        Hash of the key's file, so that nobody can change the key later.
    reads : tuple of ListedRead
        Reader by reader, in order.
    by_code : mapping
        The same by code.
    """

    folder: Path
    list_id: str
    readers: tuple[str, ...]
    passes: int
    washout_days: float
    ledger: str
    key_sha256: str
    reads: tuple[ListedRead, ...]
    by_code: Mapping[str, ListedRead] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Index the reads by their codes."""
        object.__setattr__(self, "by_code", MappingProxyType({read.code: read for read in self.reads}))

    def of(self, reader: str) -> tuple[ListedRead, ...]:
        """Give the reads of one reader, in order.

        Raises
        ------
        InputError
            If there is no such reader.
        """
        if reader not in self.readers:
            msg = f"There is no reader {reader!r} on this list: readers are {', '.join(self.readers)}."
            raise InputError(msg)
        return tuple(read for read in self.reads if read.reader == reader)

    def read(self, code: str) -> ListedRead:
        """Give the read of a code.

        Raises
        ------
        InputError
            If the code is not on the list.
        """
        if code in self.by_code:
            return self.by_code[code]
        msg = f"There is no code {code!r} on this list: check the letters."
        raise InputError(msg)

    def name(self, read: ListedRead) -> ReadName:
        """Name a read for the ledger."""
        return ReadName(read.code, read.reader, read.passage, self.list_id)

    def open_ledger(self, place: str | None = None, *, readonly: bool = False) -> Ledger:
        """Open the list's ledger, and enter the list where a crash after its making has kept that from happening.

        Parameters
        ----------
        place : str or None
            Another place than the list names, such as a URL with its password.
        readonly : bool
            Only look.
        """
        ledger = Ledger(place or self.ledger_place, readonly=readonly)
        try:
            known = any(entry.kind == "list_made" for entry in ledger.history(self.list_id, "", "", None))
            if not known and not readonly:
                ledger.append(self.made_draft())
            elif not known:
                msg = f"The ledger {ledger.address.shown} does not know this list: check which ledger belongs to it."
                raise LedgerError(msg)
        except BaseException:
            ledger.close()
            raise
        return ledger

    @property
    def ledger_place(self) -> str:
        """The ledger's address, seen from here."""
        return self.ledger if "://" in self.ledger else str(self.folder / self.ledger)

    def made_draft(self, actor: str = "coordinator") -> Draft:
        """Form the entry that the list was made; it holds the whole list, so that a lost folder can be made again."""
        text = json.dumps(
            {
                "list.json": (self.folder / "list.json").read_text(encoding="utf-8"),
                "list.csv": (self.folder / "list.csv").read_text(encoding="utf-8"),
            }
        )
        detail = {"reads": len(self.reads), "readers": list(self.readers), "key_sha256": self.key_sha256}
        return Draft("list_made", actor, list_id=self.list_id, reading=Document.of(text), detail=detail)


def open_list(folder: Path) -> ReadingList:
    """Read a list's folder.

    Raises
    ------
    InputError
        If it holds no list, or the list was changed.
    """
    head = folder / "list.json"
    if not head.exists():
        msg = f"{folder} holds no reading list: give the folder that 'qca list make' wrote."
        raise InputError(msg, file=str(folder))
    values: Any = read_json(head)
    if not isinstance(values, dict) or values.get("schema") != LIST_SCHEMA:
        msg = f"{head} is no reading list of this version ({LIST_SCHEMA})."
        raise InputError(msg, file=str(head))
    table = folder / "list.csv"
    try:
        digest = hashlib.sha256(table.read_bytes()).hexdigest()
    except OSError as error:
        msg = f"Cannot read {table} ({error.strerror}): take the folder's copy."
        raise InputError(msg, file=str(table)) from error
    if digest != values.get("list_sha256"):
        msg = f"{table} is not the list that was made: it was changed; take the copy in the ledger."
        raise InputError(msg, file=str(table))
    try:
        return ReadingList(
            folder=folder,
            list_id=str(values["list_id"]),
            readers=tuple(map(str, values["readers"])),
            passes=int(values["passes"]),
            washout_days=float(values["washout_days"]),
            ledger=str(values["ledger"]),
            key_sha256=str(values["key_sha256"]),
            reads=_reads(folder, table),
        )
    except (KeyError, TypeError, ValueError) as error:
        msg = f"{head} lacks a value or has a strange one ({error}): take the folder's copy."
        raise InputError(msg, file=str(head)) from error


def _reads(folder: Path, table: Path) -> tuple[ListedRead, ...]:
    header = read_header(table, required=LIST_COLUMNS)
    return tuple(
        ListedRead(
            order=int(row.cells["order"]),
            code=row.cells["code"],
            reader=row.cells["reader"],
            passage=int(row.cells["pass"]),
            file=folder / row.cells["file"],
            frame=frame_number(row.cells["frame"]),
        )
        for row in read_rows(table, header)
    )


@dataclass(frozen=True, slots=True)
class KeyRow:
    """One line of the key: what a code stands for."""

    code: str
    item: str
    file: Path
    frame: int | None


def open_key(path: Path, listing: ReadingList) -> tuple[KeyRow, ...]:
    """Read the key of a list.

    Raises
    ------
    InputError
        If it cannot be read, or is not byte for byte the key that was made with the list.
    """
    try:
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        msg = f"Cannot read the key {path} ({error.strerror}): check the name and the permissions."
        raise InputError(msg, file=path.name) from error
    if digest != listing.key_sha256:
        msg = f"{path.name} is not the key that was made with this list, or it was changed: take the original."
        raise InputError(msg, file=path.name)
    header = read_header(path, required=KEY_COLUMNS)
    return tuple(
        KeyRow(row.cells["code"], row.cells["item"], Path(row.cells["file"]), frame_number(row.cells["frame"]))
        for row in read_rows(path, header)
    )
