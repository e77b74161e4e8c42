"""Measurements as files: where picks and reading go, what may be written over, what opening one brings. No Qt."""

from __future__ import annotations

import re
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from qca.document import read_reading
from qca.errors import InputError
from qca.json_text import read_json, write_json
from qca.picks import Picks
from qca.picks_file import PICKS_SCHEMA, picks_to_json, read_picks
from qca.reading import Reading
from qca.settings import DEFAULT_SETTINGS, Settings
from qca.whole_file import write_together

FRAME_KINDS = frozenset({".dcm", ".dicom", ".ima", ".png", ".tif", ".tiff", ""})
"""Endings of files that may be frames; many exports have none."""

DOCUMENT_KINDS = frozenset({".json"})

_FRAME_NUMBER = re.compile(r"\.frame\d+$")


@dataclass(frozen=True, slots=True)
class Opened:
    """What a file of picks or a reading brings onto the desk; ``reading`` and ``frame_sha256`` only from a reading."""

    picks: Picks
    settings: Settings
    frame_file: Path | None
    reading: Reading | None


def is_document(path: Path) -> bool:
    """Tell a file of picks or a reading from a file of frames, by its ending."""
    return path.suffix.lower() in DOCUMENT_KINDS


def stem_of(file: Path, frame: int | None) -> str:
    """Name under which the measurement of a frame is kept: the file's, with the frame number for a run."""
    stem = file.stem if file.suffix.lower() in FRAME_KINDS else file.name
    return stem if frame is None else f"{stem}.frame{frame}"


def measurement_files(picks: Picks, reading_text: str, stem: str) -> dict[str, str]:
    """File name to content: the picks as people read them, the reading as the command line writes it."""
    document = {"schema": PICKS_SCHEMA, **picks_to_json(picks, only_given=True)}
    return {f"{stem}.picks.json": write_json(document), f"{stem}.reading.json": reading_text}


def would_be_lost(folder: Path, files: dict[str, str], own: dict[Path, str]) -> list[Path]:
    """Files that stand where these would go, differ from them and were not written by this desk.

    Parameters
    ----------
    folder : Path
        Where they would go.
    files : dict
        Name to content.
    own : dict
        Path to SHA-256 of what this desk wrote or opened there.
    """
    lost = []
    for name, content in files.items():
        path = folder / name
        try:
            standing = path.read_bytes()
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError:
            lost.append(path)
            continue
        if standing != content.encode("utf-8") and own.get(path) != sha256(standing).hexdigest():
            lost.append(path)
    return lost


def write_measurement(folder: Path, files: dict[str, str]) -> dict[Path, str]:
    """Write both files or none.

    Returns
    -------
    dict
        Path to SHA-256 of what was written.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    paths = write_together(folder, files)
    return {
        path: sha256(content.encode("utf-8")).hexdigest() for path, content in zip(paths, files.values(), strict=True)
    }


def open_document(path: Path) -> Opened:
    """Read a file of picks or a reading, and look for its frame beside it.

    Raises
    ------
    InputError, PicksError
        If it is neither, or cannot be used.
    """
    document = read_json(path)
    if isinstance(document, dict) and str(document.get("schema", "")).startswith("qca.reading/"):
        reading = read_reading(path)
        beside = path.parent / Path(reading.frame.file).name
        return Opened(reading.picks, reading.settings, beside if beside.is_file() else None, reading)
    if not isinstance(document, dict) or document.get("schema") != PICKS_SCHEMA:
        msg = f"{path.name} is neither picks nor a reading of this program: open a DICOM, PNG or TIFF file."
        raise InputError(msg, file=path.name)
    return Opened(read_picks(path), DEFAULT_SETTINGS, _frame_beside(path), None)


def frames_in(folder: Path) -> list[Path]:
    """Files of a folder that may be frames, in the order of their names, numbers by value."""
    try:
        found = [path for path in folder.iterdir() if path.suffix.lower() in FRAME_KINDS and path.is_file()]
    except OSError:
        return []
    return sorted((path for path in found if not path.name.startswith(".")), key=natural_order)


def natural_order(path: Path) -> tuple[object, ...]:
    """Sort key in which frame 9 comes before frame 10."""
    parts = re.split(r"(\d+)", path.name.lower())
    return tuple((int(part), "") if part.isdigit() else (0, part) for part in parts)


def _frame_beside(path: Path) -> Path | None:
    stem = _FRAME_NUMBER.sub("", path.name.removesuffix(".json").removesuffix(".picks"))
    for candidate in frames_in(path.parent):
        if stem in (candidate.stem, candidate.name):
            return candidate
    return None
