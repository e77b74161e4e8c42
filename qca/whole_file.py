"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Mapping
from pathlib import Path

from qca.errors import InputError


def write_whole(path: Path, data: str | bytes) -> None:
    """Write one file through a temporary one beside it.

    Parameters
    ----------
    path : Path
        Where the file shall stand; its folder is made if needed.
    data : str or bytes
        Text is written as UTF-8 with line feeds.

    Raises
    ------
    InputError
        If it cannot be written: one sentence with the folder and the reason. Nothing is left behind.
    """
    write_together(path.parent, {path.name: data})


def write_together(folder: Path, files: Mapping[str, str | bytes]) -> tuple[Path, ...]:
    """Write several files into one folder: all of them or none.

    Every file is first written whole under a temporary name and flushed to the disk; only then do they get their
    names. What usually goes wrong (no permission, disk full, a file where a folder should be) goes wrong before the
    first of them is visible.

    Parameters
    ----------
    folder : Path
        Made with its parents if needed; a folder made here is removed again when writing fails.
    files : mapping
        File name (no folder) to content.

    Returns
    -------
    tuple of Path
        The files, in the order given.

    Raises
    ------
    InputError
        If anything cannot be written.
    ValueError
        If a name has a folder in it.
    """
    for name in files:
        if Path(name).name != name:
            msg = f"files: {name!r} must be a plain file name"
            raise ValueError(msg)
    made: list[Path] = []
    temporary: dict[Path, Path] = {}
    try:
        made = _make_folder(folder)
        for name, content in files.items():
            if (folder / name).is_dir():
                raise IsADirectoryError(21, "there is a folder of that name", str(folder / name))
            waiting = folder / f".{name}.{secrets.token_hex(4)}.part"
            temporary[waiting] = folder / name
            _write_flushed(waiting, content)
        for waiting, final in temporary.items():
            waiting.replace(final)
    except BaseException as error:
        for waiting in temporary:
            with contextlib.suppress(OSError):
                waiting.unlink()
        for path in made:
            with contextlib.suppress(OSError):
                path.rmdir()
        if not isinstance(error, OSError):
            raise
        reason = error.strerror or str(error)
        msg = f"Cannot write into {folder} ({reason}): choose a folder that you may write to."
        raise InputError(msg, file=str(folder)) from error
    return tuple(temporary.values())


def _make_folder(folder: Path) -> list[Path]:
    """Make the folder and its missing parents; return those made, deepest first."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return missing


def _write_flushed(path: Path, content: str | bytes) -> None:
    data = content.encode("utf-8") if isinstance(content, str) else content
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
