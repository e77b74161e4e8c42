"""Read what is left of a damaged SQLite ledger, page by page, without SQLite and without touching the file.

Strategy: entries and documents are rows of table leaf pages. Every leaf page that is still there is read by itself,
whatever became of the pages above it; a row counts only if its own hash says that it is what was entered.

References
----------
.. [1] SQLite Consortium. Database File Format, https://www.sqlite.org/fileformat2.html, sections 1.3, 1.6, 2.1.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Self

from qca.store import schema
from qca.store.entry import Document, Entry, genesis
from qca.store.errors import DamagedLedger
from qca.store.sqlite_file import header_size

_TABLE_LEAF = 0x0D
_HEADER_BYTES = 100
_ENTRY_COLUMNS = tuple(column.name for column in schema.entry.columns)
_DOCUMENT_COLUMNS = 4
_LEDGER_COLUMNS = 2
_LARGEST_PAYLOAD = 256 * 1024 * 1024

Cell = int | bytes | str | float | None


@dataclass(frozen=True, slots=True)
class Salvage:
    """What is left of a damaged ledger.

    Parameters
    ----------
    ledger_id, created_utc : str
        Identity; empty when lost.
    chain : tuple of Entry
        The intact entries from the first one on, without a gap, whose documents are there too.
    loose : tuple of Entry
        Further entries that are intact in themselves.
    documents : mapping of str to int
        Hash of every intact document, and the file position of its row.
    damage : str
        What is wrong with the file, in one sentence.
    """

    ledger_id: str
    created_utc: str
    chain: tuple[Entry, ...]
    loose: tuple[Entry, ...]
    documents: dict[str, tuple[int, int]]
    damage: str
    path: Path

    def document(self, sha256: str) -> Document:
        """Read one document again.

        Raises
        ------
        KeyError
            If it is not among those left.
        """
        page, offset = self.documents[sha256]
        with _Pages(self.path) as pages:
            row = pages.row(page, offset)
        assert row is not None  # noqa: S101 - it was read before
        found = _as_document(row[1])
        assert found is not None  # noqa: S101
        return found


def salvage(path: Path) -> Salvage:
    """Read a damaged ledger.

    Parameters
    ----------
    path : Path
        SQLite file, of any length.

    Returns
    -------
    Salvage
        Possibly empty.

    Raises
    ------
    DamagedLedger
        If the file cannot be read at all.
    """
    entries: dict[int, Entry] = {}
    documents: dict[str, tuple[int, int]] = {}
    identity = ("", "")
    try:
        with _Pages(path) as pages:
            damage = pages.damage()
            for place, rowid, cells in pages.rows():
                if len(cells) == len(_ENTRY_COLUMNS):
                    entry = _as_entry(rowid, cells)
                    if entry is not None and entry.intact():
                        entries[entry.seq] = entry
                elif len(cells) == _DOCUMENT_COLUMNS:
                    document = _as_document(cells)
                    if document is not None and _sound(document):
                        documents[document.sha256] = place
                elif len(cells) == _LEDGER_COLUMNS and isinstance(cells[0], str) and isinstance(cells[1], str):
                    identity = (cells[0], cells[1])
    except OSError as error:
        msg = f"Cannot read {path} ({error.strerror})."
        raise DamagedLedger(msg) from error
    if not identity[0] and 1 in entries and entries[1].previous == genesis(entries[1].origin):
        identity = (entries[1].origin, entries[1].time_utc)
    chain: list[Entry] = []
    last = genesis(identity[0])
    while (entry := entries.get(len(chain) + 1)) is not None and entry.previous == last:
        if any(name and name not in documents for name in (entry.picks_sha256, entry.reading_sha256)):
            break
        chain.append(entry)
        last = entry.hash
    loose = tuple(entries[seq] for seq in sorted(entries) if seq > len(chain))
    return Salvage(*identity, tuple(chain), loose, documents, damage, path)


def _as_entry(rowid: int, cells: tuple[Cell, ...]) -> Entry | None:
    values = dict(zip(_ENTRY_COLUMNS, cells, strict=True))
    values["seq"] = rowid
    for name, value in values.items():
        number = name in ("seq", "passage", "frame_index")
        if not (isinstance(value, int) or value is None if number else isinstance(value, str)):
            return None
    return Entry(**values)  # type: ignore[arg-type]  # checked above


def _as_document(cells: tuple[Cell, ...]) -> Document | None:
    _, sha256, size, body = cells
    if isinstance(sha256, str) and isinstance(size, int) and isinstance(body, bytes):
        return Document(sha256, size, body)
    return None


def _sound(document: Document) -> bool:
    try:
        document.text()
    except ValueError:
        return False
    return True


class _Pages:
    """The file as pages; what is cut off reads as zeros, and rows made of them do not pass their hash."""

    def __init__(self, path: Path) -> None:
        self.file: BinaryIO = path.open("rb")
        self.size = self.file.seek(0, 2)
        self.file.seek(0)
        self.head = self.file.read(_HEADER_BYTES)
        page = int.from_bytes(self.head[16:18], "big") if len(self.head) == _HEADER_BYTES else 0
        self.page_size = 65536 if page == 1 else page
        if self.page_size < 512 or self.page_size & (self.page_size - 1):
            self.page_size = 4096  # the header is gone: SQLite's usual size
        self.usable = self.page_size - (self.head[20] if len(self.head) > 20 else 0)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.file.close()

    def damage(self) -> str:
        """Name what is wrong with the file as a whole."""
        expected = header_size(self.head)
        if self.size < _HEADER_BYTES:
            return f"Only {self.size} bytes are left, less than the file's header."
        if self.size < expected:
            page = self.size // self.page_size + 1
            return (
                f"The file ends after {self.size} of {expected} bytes, in page {page} of {expected // self.page_size}."
            )
        return "The file has its full length, but its pages do not fit together."

    def page(self, number: int) -> bytes:
        self.file.seek((number - 1) * self.page_size)
        return self.file.read(self.page_size).ljust(self.page_size, b"\0")

    def rows(self) -> Iterator[tuple[tuple[int, int], int, tuple[Cell, ...]]]:
        """Give place, row number and cells of every row of every leaf page."""
        for number in range(1, -(-self.size // self.page_size) + 1):
            page = self.page(number)
            start = _HEADER_BYTES if number == 1 else 0
            if page[start] != _TABLE_LEAF:
                continue
            count = int.from_bytes(page[start + 3 : start + 5], "big")
            for index in range(min(count, self.page_size // 4)):
                at = start + 8 + 2 * index
                offset = int.from_bytes(page[at : at + 2], "big")
                row = self.row(number, offset, page)
                if row is not None:
                    yield (number, offset), *row

    def row(self, number: int, offset: int, page: bytes | None = None) -> tuple[int, tuple[Cell, ...]] | None:
        """Read one row; None when it does not make sense."""
        page = self.page(number) if page is None else page
        try:
            size, at = _varint(page, offset)
            rowid, at = _varint(page, at)
            if not 0 < size <= min(_LARGEST_PAYLOAD, self.size + self.page_size):
                return None
            return rowid, _cells(self._payload(page, at, size))
        except (IndexError, ValueError):
            return None

    def _payload(self, page: bytes, at: int, size: int) -> bytes:
        # [1], section 1.6: what does not fit into the leaf goes on in a chain of overflow pages
        largest = self.usable - 35
        if size <= largest:
            return page[at : at + size]
        least = (self.usable - 12) * 32 // 255 - 23
        local = least + (size - least) % (self.usable - 4)
        if local > largest:
            local = least
        parts, rest = [page[at : at + local]], size - local
        following = int.from_bytes(page[at + local : at + local + 4], "big")
        while rest > 0:
            if not 0 < following <= -(-self.size // self.page_size):
                raise ValueError(following)
            overflow = self.page(following)
            parts.append(overflow[4 : 4 + min(rest, self.usable - 4)])
            rest -= self.usable - 4
            following = int.from_bytes(overflow[:4], "big")
        return b"".join(parts)


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for index in range(8):
        byte = data[at + index]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + index + 1
    return value << 8 | data[at + 8], at + 9


def _cells(payload: bytes) -> tuple[Cell, ...]:
    """Split a record into its values, [1] section 2.1."""
    end, at = _varint(payload, 0)
    kinds: list[int] = []
    while at < end:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    widths = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8, 8: 0, 9: 0}
    cells: list[Cell] = []
    at = end
    for kind in kinds:
        width = widths[kind] if kind in widths else (kind - 12) // 2
        data = payload[at : at + width]
        if len(data) != width or width < 0:
            raise ValueError(kind)
        at += width
        if kind == 0:
            cells.append(None)
        elif kind <= 6:
            cells.append(int.from_bytes(data, "big", signed=True))
        elif kind in (8, 9):
            cells.append(kind - 8)
        elif kind >= 12:
            cells.append(data if kind % 2 == 0 else data.decode("utf-8"))
        else:
            cells.append(None)  # a float; the record has none
    return tuple(cells)
