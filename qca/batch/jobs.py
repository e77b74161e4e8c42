"""The rows of a batch list, as work to be done."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from qca.csv_text import Header, Row, read_header, read_rows
from qca.errors import InputError, PicksError
from qca.lists.frames import frame_number, inside
from qca.lists.reading_list import ReadingList
from qca.picks import Picks, Point
from qca.picks_file import check_picks
from qca.settings import Settings
from qca.store.drafts import ReadName, job_of

POINTS = ("proximal", "distal", "side", "start", "end", "catheter_a", "catheter_b")
NUMBERS = ("french", "catheter_mm", "mm_per_px")
COLUMNS = ("code", "file", "frame", *POINTS, *NUMBERS)
MORE_COLUMNS = ("reader", "pass", "mm_per_px_sd", "scale", "item")
LONGEST_CODE = 64


@dataclass(frozen=True, slots=True)
class Job:
    """One row of the list.

    Parameters
    ----------
    line : int
        Its line in the list.
    name : ReadName
        Code, reader, pass, list.
    file : Path
        The frame's file.
    picks : Picks
        What the person decided.
    key : str
        Identity of the work, see `qca.store.drafts.job_of`.
    problem : str
        Why it cannot be measured, known from the row alone; empty when nothing is wrong with it.
    kind : str
        Kind of problem.
    """

    line: int
    name: ReadName
    file: Path
    picks: Picks
    key: str
    problem: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class JobList:
    """A checked list: nothing is held but how to read it again.

    Parameters
    ----------
    path : Path
        The table.
    header : Header
        Its columns.
    count : int
        Rows.
    listing : ReadingList or None
        The reading list that the codes belong to.
    reader, passage : str, int or None
        For rows that name none.
    settings : Settings
        Of the measurement.
    """

    path: Path
    header: Header
    count: int
    listing: ReadingList | None
    reader: str
    passage: int | None
    settings: Settings

    def jobs(self) -> Iterator[Job]:
        """Read the rows again, one by one."""
        for row in read_rows(self.path, self.header):
            yield self._job(row)

    def _job(self, row: Row) -> Job:
        name, file, picks = self._name(row), Path(), Picks()
        try:
            picks = _picks(row)
            file, picks = self._frame(row, picks)
            check_picks(picks)
            kind, problem = "", ""
        except PicksError as error:
            kind, problem = "picks", str(error)
        except (InputError, ValueError) as error:
            kind, problem = "input", _sentence(str(error))
        if problem:
            cells = "\n".join(f"{key}={value}" for key, value in sorted(row.cells.items()))
            key = hashlib.sha256(f"row\n{name.list_id}\n{cells}".encode()).hexdigest()
            return Job(row.line, name, file, picks, key, problem, kind)
        return Job(row.line, name, file, picks, job_of(name, picks, self.settings, picks.frame))

    def _name(self, row: Row) -> ReadName:
        code = row.cells["code"]
        if self.listing is not None:
            return self.listing.name(self.listing.read(code))
        passage = row.number("pass")
        return ReadName(
            code, row.cells.get("reader") or self.reader, int(passage) if passage is not None else self.passage
        )

    def _frame(self, row: Row, picks: Picks) -> tuple[Path, Picks]:
        from dataclasses import replace

        text = row.cells.get("file", "")
        if self.listing is None:
            if not text:
                msg = "it names no file"
                raise ValueError(msg)
            return inside(self.path.parent, text), picks
        read = self.listing.read(row.cells["code"])
        if text:
            msg = "it names a file; leave it empty, the reading list's own copy is measured"
            raise ValueError(msg)
        if read.frame is not None and picks.frame not in (None, read.frame):
            msg = f"its frame is {picks.frame}; the reading list fixes frame {read.frame}"
            raise ValueError(msg)
        return read.file.resolve(), picks if picks.frame is not None else replace(picks, frame=read.frame)


def read_job_list(
    path: Path,
    *,
    settings: Settings,
    listing: ReadingList | None = None,
    reader: str = "",
    passage: int | None = None,
) -> JobList:
    """Check a list as a whole, before anything is measured.

    Parameters
    ----------
    path : Path
        The table.
    settings : Settings
        Of the measurement.
    listing : ReadingList or None
        The codes' reading list; then ``file`` stays empty.
    reader, passage : str, int or None
        For rows that name none.

    Raises
    ------
    InputError
        If it cannot be read, lacks a column, has a code twice, or a code that is none. What is wrong with one frame
        only does not stop the others: that row is refused later.
    """
    required = ("code",) if listing is not None else ("code", "file")
    optional = tuple(name for name in (*COLUMNS, *MORE_COLUMNS) if name not in required)
    header = read_header(path, required=required, optional=optional)
    seen: dict[bytes, int] = {}
    count = 0
    for row in read_rows(path, header):
        count += 1
        mark = _checked_mark(path, row, listing, reader, passage)
        if mark in seen:
            msg = (
                f"{path.name}, lines {seen[mark]} and {row.line}, have the same code {row.cells['code']!r}: codes tell "
            )
            msg += "frames apart, give each its own."
            raise InputError(msg, file=path.name)
        seen[mark] = row.line
    if not count:
        msg = f"{path.name} has no rows below its header: there is nothing to measure."
        raise InputError(msg, file=path.name)
    return JobList(path, header, count, listing, reader, passage, settings)


def _checked_mark(path: Path, row: Row, listing: ReadingList | None, reader: str, passage: int | None) -> bytes:
    """Check code and pass of a row; give eight bytes that stand for the read."""
    code = row.cells["code"]
    if not code or len(code) > LONGEST_CODE or not code.isprintable():
        msg = f"{path.name}, line {row.line}: the code {code[:20]!r} is empty, too long or unprintable."
        raise InputError(msg, file=path.name)
    try:
        number = row.number("pass")
    except ValueError as error:
        msg = f"{path.name}, line {row.line}: {error}."
        raise InputError(msg, file=path.name) from None
    if number is not None and not (number.is_integer() and number >= 1):
        msg = f"{path.name}, line {row.line}: pass is {number:g}; passes are counted from 1."
        raise InputError(msg, file=path.name)
    if listing is not None:
        try:
            listing.read(code)
        except InputError as error:
            msg = f"{path.name}, line {row.line}: {error}"
            raise InputError(msg, file=path.name) from None
    text = f"{code}\n{row.cells.get('reader') or reader}\n{number if number is not None else passage}"
    return hashlib.blake2b(text.encode(), digest_size=8).digest()


def _picks(row: Row) -> Picks:
    points = {name: _point(row, name) for name in POINTS}
    numbers = {name: row.number(name) for name in (*NUMBERS, "mm_per_px_sd")}
    first, second = points.pop("catheter_a"), points.pop("catheter_b")
    if (first is None) != (second is None):
        msg = "only one of catheter_a and catheter_b is given; give both ends of the shaft"
        raise ValueError(msg)
    scale = row.cells.get("scale", "")
    if scale not in ("", "header"):
        msg = f"scale is {scale[:20]!r}; it may be empty or say header"
        raise ValueError(msg)
    return Picks(
        frame=frame_number(row.cells.get("frame", "")),
        proximal=points["proximal"],
        distal=points["distal"],
        side=points["side"],
        start=points["start"],
        end=points["end"],
        catheter=None if first is None or second is None else (first, second),
        french=numbers["french"],
        catheter_mm=numbers["catheter_mm"],
        mm_per_px=numbers["mm_per_px"],
        mm_per_px_sd=numbers["mm_per_px_sd"],
        scale="header" if scale else None,
    )


def _point(row: Row, column: str) -> Point | None:
    text = row.cells.get(column, "")
    if not text:
        return None
    parts = text.split()
    try:
        x, y = (float(part.replace(",", ".") if row.decimal_comma else part) for part in parts)
    except ValueError:
        msg = f"{column} is {text[:40]!r}; write a point as column and row with a space between, such as 211.5 96"
        raise ValueError(msg) from None
    return (x, y)


def _sentence(text: str) -> str:
    """Make a fragment about a row into a sentence."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."
