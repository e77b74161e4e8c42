"""The command line's way to name a folder for results."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click


class FolderType(click.Path):
    """A folder that may not exist yet; an empty name, as an unset variable of a script gives, is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:  # noqa: ANN401
        """Turn a name into a path."""
        if value == "":
            self.fail("the folder's name is empty; write . for the folder you are in.", param, ctx)
        return super().convert(value, param, ctx)


FOLDER = FolderType(path_type=Path)
