"""The files to be read, in order: the next one is one key away. A reading list can stand in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol


class WorkList(Protocol):
    """What the desk asks of a list."""

    @property
    def current(self) -> Path | None:
        """The file that is being read."""

    @property
    def progress(self) -> str:
        """How far the list is done, in words; ``""`` where there is nothing to count."""

    @property
    def has_next(self) -> bool:
        """True when another file follows."""

    def next(self) -> Path | None:
        """Go to the next file; None at the end."""

    @property
    def ended(self) -> str:
        """Why there is no next file, in words."""

    def begin_at(self, path: Path) -> None:
        """Tell the list which of its files was opened by hand."""


class PathList:
    """A plain list of files.

    Parameters
    ----------
    paths : sequence of Path
        The files, in order.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = list(paths)
        self._at = 0

    @property
    def current(self) -> Path | None:
        """The file that is being read."""
        return self._paths[self._at] if self._paths else None

    @property
    def progress(self) -> str:
        """How far the list is done."""
        return f"file {self._at + 1} of {len(self._paths)}" if len(self._paths) > 1 else ""

    @property
    def ended(self) -> str:
        """Why there is no next file."""
        return "This was the last file of the list."

    @property
    def has_next(self) -> bool:
        """True when another file follows."""
        return self._at + 1 < len(self._paths)

    def next(self) -> Path | None:
        """Go to the next file; None at the end."""
        if not self.has_next:
            return None
        self._at += 1
        return self._paths[self._at]

    def begin_at(self, path: Path) -> None:
        """Stand at a file of the list, if it is one."""
        resolved = path.resolve()
        for index, one in enumerate(self._paths):
            if one.resolve() == resolved:
                self._at = index
                return
