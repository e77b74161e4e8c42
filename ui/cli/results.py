"""What a measurement leaves behind: a table on the terminal and files in a folder."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import click

from qca.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

    from qca.frames.frame import Frame
    from qca.reading import Reading
    from qca.sizing.worksheet import Worksheet


def print_table(reading: Reading) -> None:
    """Print the table of limbs on standard output."""
    from qca.report.table import text_table

    click.echo(text_table(reading).rstrip("\n"))


def write_results(
    reading: Reading, frame: Frame, folder: Path, *, worksheet: Worksheet | None = None
) -> tuple[Path, ...]:
    """Write reading.json, report.html, profile.csv and overlay.png: all of them or none.

    Parameters
    ----------
    reading, frame : Reading, Frame
        What was measured, and on what.
    folder : Path
        Made if needed.
    worksheet : Worksheet or None
        Adds its section to the report, and worksheet.json and worksheet.html to the files.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    from qca.document import reading_text
    from qca.report.html import report_html
    from qca.report.overlay import overlay_png
    from qca.report.profile import profile_csv
    from qca.whole_file import write_together

    files: dict[str, str | bytes] = {
        "reading.json": reading_text(reading),
        "report.html": report_html(reading, frame, worksheet),
        "profile.csv": profile_csv(reading),
        "overlay.png": overlay_png(reading, frame),
    }
    if worksheet is not None:
        from qca.sizing.document import worksheet_text
        from qca.sizing.html import worksheet_page

        files |= {"worksheet.json": worksheet_text(worksheet), "worksheet.html": worksheet_page(worksheet)}
    return write_together(folder, files)


def refuse_unwritable(folder: Path) -> None:
    """Refuse a folder that cannot be written before a minute is spent on measuring; makes nothing.

    Raises
    ------
    InputError
        One sentence: which folder and why.
    """
    standing = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not standing.is_dir():
        msg = f"Cannot write into {folder} ({standing} is a file): choose another folder."
        raise InputError(msg, file=str(folder))
    if not os.access(standing, os.W_OK | os.X_OK):
        msg = f"Cannot write into {folder} (no permission in {standing}): choose a folder that you may write to."
        raise InputError(msg, file=str(folder))
