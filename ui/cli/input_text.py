"""Text files named on the command line: read whole, with their hash."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from qca.sizing.worksheet import Origin

_MOST_BYTES = 64 * 1024 * 1024


def read_text(path: Path, what: str) -> tuple[str, Origin]:
    """Read a UTF-8 text file.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What it is, for messages.

    Returns
    -------
    tuple
        Its text and where it came from (name and SHA-256 of its bytes).

    Raises
    ------
    InputError
        If it cannot be read, is too large or is not UTF-8.
    """
    import hashlib

    from qca.errors import InputError
    from qca.sizing.worksheet import Origin

    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except OSError as error:
        msg = f"Cannot read the {what} {path} ({error.strerror}): check the name and the permissions."
        raise InputError(msg, file=path.name) from error
    if len(data) > _MOST_BYTES:
        msg = f"The {what} {path.name} is larger than {_MOST_BYTES // 1024**2} MB: it is not one."
        raise InputError(msg, file=path.name)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        msg = f"The {what} {path.name} is not UTF-8 text (byte {error.start}): save it as UTF-8."
        raise InputError(msg, file=path.name) from error
    return text, Origin(path.name, hashlib.sha256(data).hexdigest())
