"""``qca view``: the desk."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(short_help="Open the desk.")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[FILE]...")
@click.option("--light", "look", flag_value="light", help="A light window.")
@click.option("--dark", "look", flag_value="dark", default="dark", help="A dark window (the default).")
@click.option(
    "--list", "folder", type=click.Path(path_type=Path), metavar="FOLDER", help="Read on from a reading list."
)
@click.option("--reader", metavar="CODE", help="Reader code on that list.")
@click.option("--ledger", metavar="URL", help="Another ledger than the list names, or the same with its password.")
@click.option("--early", is_flag=True, help="Do not wait for the list's wash-out.")
def view(
    files: tuple[Path, ...],
    look: str,
    folder: Path | None,
    reader: str | None,
    ledger: str | None,
    early: bool,  # noqa: FBT001
) -> None:
    """Open the desk: measure with eyes and hands.

    FILE is a DICOM angiogram, a PNG or a TIFF, picks, a reading, or a folder of frames. Several files become a list;
    the next one is one key away. What to do next stands at the top of the window.

    With --list and --reader the frames come from a reading list, and the readings go into its ledger.
    """
    if (folder is None) != (reader is None) or (folder is not None and files):
        msg = "give --list and --reader together, and no files beside them"
        raise click.UsageError(msg)
    from qca.errors import InputError
    from ui.cli.screen import check_screen

    for file in files:
        if not file.exists():
            msg = f"{file} is not there: check the name."
            raise InputError(msg, file=str(file))
    check_screen()
    from ui.desk.launch import run

    if folder is None or reader is None:
        run(files, look=look)
        return
    from qca.lists.reading_list import open_list

    open_list(folder).of(reader)  # what is wrong with them is said before there is a window
    run((), look=look, first=lambda desk: desk.reads.open(folder, reader, place=ledger, early=early))
