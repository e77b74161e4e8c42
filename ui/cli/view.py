"""``qca view``: the desk."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(short_help="Open the desk.")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[FILE]...")
@click.option("--light", "look", flag_value="light", help="A light window.")
@click.option("--dark", "look", flag_value="dark", default="dark", help="A dark window (the default).")
def view(files: tuple[Path, ...], look: str) -> None:
    """Open the desk: measure with eyes and hands.

    FILE is a DICOM angiogram, a PNG or a TIFF, picks, a reading, or a folder of frames. Several files become a list;
    the next one is one key away. What to do next stands at the top of the window.
    """
    from qca.errors import InputError
    from ui.desk.launch import run

    for file in files:
        if not file.exists():
            msg = f"{file} is not there: check the name."
            raise InputError(msg, file=str(file))
    run(files, look=look)
