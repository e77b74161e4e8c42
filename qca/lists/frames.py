"""Which frames a list is made of: the frame files of a folder, or the rows of a table."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from qca.csv_text import read_header, read_rows
from qca.errors import InputError

_ENDINGS = frozenset({"", ".dcm", ".dicom", ".ima", ".png", ".tif", ".tiff"})


@dataclass(frozen=True, slots=True)
class ListedFrame:
    """One frame to be read: its file, and its number where it is fixed."""

    file: Path
    frame: int | None


def find_frames(place: Path) -> tuple[ListedFrame, ...]:
    """Find the frames.

    Parameters
    ----------
    place : Path
        A folder: every DICOM, PNG and TIFF file right inside it; in a run of several frames the reader chooses the
        frame. Or a table (CSV) with the column ``file``, relative to the table's folder, and optionally ``frame``.

    Returns
    -------
    tuple of ListedFrame
        In the order of their names, or of the table.

    Raises
    ------
    InputError
        If there are none, one is missing, unreadable, named twice or outside the table's folder.
    """
    if place.is_dir():
        files = [
            path
            for path in sorted(place.iterdir())
            if path.is_file() and path.suffix.lower() in _ENDINGS and not path.name.startswith(".")
        ]
        found = tuple(ListedFrame(path.resolve(), None) for path in files)
    else:
        found = _rows(place)
    if not found:
        msg = f"{place} holds no frames: give a folder with DICOM, PNG or TIFF files, or a table with a column file."
        raise InputError(msg, file=place.name)
    for each in found:
        _check(each)
    return found


def inside(folder: Path, text: str) -> Path:
    """Resolve a file name of a table.

    Parameters
    ----------
    folder : Path
        The table's folder.
    text : str
        An absolute path, or one relative to the folder.

    Raises
    ------
    ValueError
        If a relative name leads out of the folder; the text says so.
    """
    path = Path(text)
    if path.is_absolute():
        return path
    resolved = (folder / path).resolve()
    if not resolved.is_relative_to(folder.resolve()):
        msg = "its file lies outside the list's folder; give the whole path from the root if that is meant"
        raise ValueError(msg)
    return resolved


def frame_number(text: str) -> int | None:
    """Read a frame number; None when empty.

    Raises
    ------
    ValueError
        If it is no whole number from 0.
    """
    if not text:
        return None
    if not (text.isascii() and text.isdigit()) or len(text) > 9:
        msg = f"frame is {text[:20]!r}; frames are whole numbers from 0"
        raise ValueError(msg)
    return int(text)


def _rows(table: Path) -> tuple[ListedFrame, ...]:
    header = read_header(table, required=("file",), optional=("frame",))
    found: dict[ListedFrame, int] = {}
    for row in read_rows(table, header):
        try:
            if not row.cells["file"]:
                msg = "it names no file"
                raise ValueError(msg)
            each = ListedFrame(inside(table.parent, row.cells["file"]), frame_number(row.cells.get("frame", "")))
        except ValueError as error:
            msg = f"{table.name}, line {row.line}: {error}."
            raise InputError(msg, file=table.name) from None
        if each in found:
            msg = f"{table.name}, lines {found[each]} and {row.line}, name the same frame: list it once."
            raise InputError(msg, file=table.name)
        found[each] = row.line
    return tuple(found)


def _check(each: ListedFrame) -> None:
    from qca.frames.source import probe

    record = probe(each.file)
    if each.frame is not None and each.frame >= record.count:
        msg = f"{record.file} has no frame {each.frame}: it holds {record.count}, counted from 0."
        raise InputError(msg, file=record.file)
