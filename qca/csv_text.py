"""CSV as people's spreadsheets write it, read strictly and row by row; and CSV text written one way.

Read: UTF-8 with or without byte order mark, or UTF-16 with one; comma, semicolon or tab; any line ends. With a
semicolon the decimal comma is taken for a decimal point, as the spreadsheets do that write semicolons.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from qca.errors import InputError

_LONGEST_CELL = 1_000_000
_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_LIKENESS = 0.75


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table: its number in the file, from 1 for the header, and its cells by column name."""

    line: int
    cells: dict[str, str]
    decimal_comma: bool = False

    def number(self, column: str) -> float | None:
        """Give a cell's number; None when empty.

        Raises
        ------
        ValueError
            If it is no number; the text says which column and value.
        """
        text = self.cells.get(column, "")
        if not text:
            return None
        try:
            return float(text.replace(",", ".") if self.decimal_comma else text)
        except ValueError:
            msg = f"{column} is {text[:40]!r}, which is no number"
            raise ValueError(msg) from None


@dataclass(frozen=True, slots=True)
class Header:
    """What the first line says: the columns in order, those we do not know, and how the file is written."""

    columns: tuple[str, ...]
    unknown: tuple[str, ...]
    encoding: str
    delimiter: str


def read_header(path: Path, *, required: Sequence[str], optional: Sequence[str] = ()) -> Header:
    """Read and check the first line of a table.

    Parameters
    ----------
    path : Path
        The file.
    required, optional : sequence of str
        Column names that must, and that may, be there. Others are reported in ``unknown``, unless one looks like a
        misspelt known one.

    Raises
    ------
    InputError
        If the file cannot be read or the columns are wrong: one sentence.
    """
    try:
        with path.open("rb") as file:
            start = file.read(4)
        encoding = next((name for mark, name in _BOMS if start.startswith(mark)), "utf-8")
        with path.open(encoding=encoding, newline="") as text:
            first = text.readline(_LONGEST_CELL)
    except OSError as error:
        msg = f"Cannot read {path} ({error.strerror}): check the name and the permissions."
        raise InputError(msg, file=path.name) from error
    except UnicodeError as error:
        raise _not_text(path, 1) from error
    if not first.strip():
        msg = f"{path.name} is empty: its first line must name the columns ({', '.join(required)})."
        raise InputError(msg, file=path.name)
    delimiter = max(",;\t", key=first.count)
    names = tuple(cell.strip() for cell in next(csv.reader([first], delimiter=delimiter)))
    _check_names(path, names, required, optional)
    unknown = tuple(name for name in names if name not in (*required, *optional))
    return Header(names, unknown, encoding, delimiter)


def _check_names(path: Path, names: Sequence[str], required: Sequence[str], optional: Sequence[str]) -> None:
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        msg = f"{path.name} has the column {twice[0]!r} twice: keep one."
        raise InputError(msg, file=path.name)
    known = (*required, *optional)
    for name in names:
        near = difflib.get_close_matches(name, [k for k in known if k not in names], n=1, cutoff=_LIKENESS)
        if name not in known and near:
            msg = f"{path.name} has a column {name[:40]!r}: did you mean {near[0]!r}?"
            raise InputError(msg, file=path.name)
    missing = [name for name in required if name not in names]
    if missing:
        plural = "s" if len(missing) > 1 else ""
        msg = f"{path.name} lacks the column{plural} {', '.join(missing)}: name them in the first line."
        raise InputError(msg, file=path.name)


def read_rows(path: Path, header: Header) -> Iterator[Row]:
    """Read the lines below the header one by one; empty lines are skipped, cells are stripped.

    Raises
    ------
    InputError
        If a line is not text, has more cells than the header, or cannot be split.
    """
    line = 1
    try:
        with path.open(encoding=header.encoding, newline="") as text:
            reader = csv.reader(text, delimiter=header.delimiter, strict=True)
            next(reader)
            line = reader.line_num
            for cells in reader:
                start, line = line + 1, reader.line_num
                if not any(cell.strip() for cell in cells):
                    continue
                if len(cells) > len(header.columns):
                    msg = (
                        f"{path.name}, line {start}: {len(cells)} cells under {len(header.columns)} columns; "
                        "put text with a comma into quotes."
                    )
                    raise InputError(msg, file=path.name)
                padded = [cell.strip() for cell in cells] + [""] * (len(header.columns) - len(cells))
                yield Row(start, dict(zip(header.columns, padded, strict=True)), header.delimiter == ";")
    except UnicodeError as error:
        raise _not_text(path, line + 1) from error
    except csv.Error as error:
        msg = f"{path.name}, line {line + 1}: not a readable table line ({error}); save it as CSV UTF-8."
        raise InputError(msg, file=path.name) from error
    except OSError as error:
        msg = f"Cannot read {path} ({error.strerror}): check the name and the permissions."
        raise InputError(msg, file=path.name) from error


def _not_text(path: Path, line: int) -> InputError:
    msg = f"{path.name} is not UTF-8 text at or soon after line {line}: save the whole file as CSV UTF-8."
    return InputError(msg, file=path.name)


def lines(rows: Iterable[Sequence[object]]) -> str:
    """Write rows as CSV text: comma, line feed, full precision, empty for None and NaN.

    A cell that a spreadsheet would take for a formula gets a leading apostrophe.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    for row in rows:
        writer.writerow([cell_text(value) for value in row])
    return buffer.getvalue()


def cell_text(value: object) -> str:
    """Text of one cell; see `lines`."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, float):
        return "" if math.isnan(value) else float.__repr__(value)
    text = str(value)
    if text[:1] in "=+-@\t\r" and isinstance(value, str) and text:
        return "'" + text
    return text
