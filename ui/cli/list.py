"""``qca list``: reading lists under opaque codes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from datetime import datetime

    from qca.lists.reading_list import ListedRead

_FOLDER = click.argument("folder", type=click.Path(path_type=Path))
_LEDGER = click.option(
    "--ledger", metavar="URL", help="Another ledger than the list names, or the same with its password."
)
_READER = click.option("--reader", required=True, metavar="CODE", help="Reader code.")
_BY = click.option("--by", "actor", default="coordinator", show_default=True, metavar="CODE", help="Who does it.")
_REASON = click.option("--reason", required=True, help="Why; kept in the record.")
_KEY = click.option(
    "--key", required=True, type=click.Path(path_type=Path), metavar="FILE", help="The key that was made with the list."
)


@click.group(name="list", short_help="Make and follow reading lists under opaque codes.")
def list() -> None:  # noqa: A001 - the command's name
    """Make and follow reading lists under opaque codes.

    A list is a folder for the readers (codes, order, coded copies of the frames, the ledger) and a key that only the
    coordinator has.
    """


@list.command()
@click.argument("frames", type=click.Path(path_type=Path))
@click.option("--out", "folder", required=True, type=click.Path(path_type=Path), metavar="FOLDER", help="The list.")
@click.option(
    "--key", type=click.Path(path_type=Path), metavar="FILE", help="Where the key goes.  [default: FOLDER-key.csv]"
)
@click.option("--readers", required=True, metavar="A,B", help="Reader codes, separated by commas.")
@click.option("--passes", default=1, show_default=True, help="How often every reader reads every frame.")
@click.option(
    "--reread", default=0.0, show_default=True, metavar="SHARE", help="Share of frames that everybody reads once more."
)
@click.option("--washout-days", default=14.0, show_default=True, help="Days between a reader's passes.")
@click.option(
    "--gap", type=int, help="Other reads between two reads of one frame.  [default: 20, or half of the frames]"
)
@click.option("--seed", default="", help="Draw the same list again; kept in the key only.  [default: drawn]")
@click.option("--ledger", metavar="URL", help="Keep the record elsewhere.  [default: FOLDER/ledger.sqlite]")
@_BY
def make(  # noqa: PLR0917 - click passes options by name
    frames: Path,
    folder: Path,
    key: Path | None,
    readers: str,
    passes: int,
    reread: float,
    washout_days: float,
    gap: int | None,
    seed: str,
    ledger: str | None,
    actor: str,
) -> None:
    """Make a list of FRAMES: a folder of frame files, or a table (CSV) with the columns file and frame.

    Every read gets its own opaque code and its own copy of the frame, without names and dates. The order is drawn,
    balanced over readers and passes.
    """
    from qca.lists.frames import find_frames
    from qca.lists.making import Choices, make_list

    choices = Choices(
        readers=tuple(name.strip() for name in readers.split(",")),
        passes=passes,
        reread=reread,
        washout_days=washout_days,
        gap=gap,
        seed=seed,
    )
    key = key or folder.with_name(f"{folder.name}-key.csv")
    listing = make_list(find_frames(frames), folder, key, choices, ledger=ledger, actor=actor)
    click.echo(f"{folder}: {len(listing.reads)} reads for {', '.join(listing.readers)}")
    click.echo(f"{key}: the key, keep it away from the readers", err=True)
    click.echo(f"a reader works with:  qca view --list {folder} --reader CODE", err=True)


@list.command("next")
@_FOLDER
@_READER
@_LEDGER
@click.option("--early", is_flag=True, help="Do not wait for the wash-out.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def next_(folder: Path, reader: str, ledger: str | None, early: bool, as_json: bool) -> None:  # noqa: FBT001
    """Say what a reader reads next."""
    from qca.json_text import write_json
    from qca.lists.progress import next_read
    from qca.lists.reading_list import open_list

    listing = open_list(folder)
    with listing.open_ledger(ledger) as record:
        found = next_read(listing, record, reader, early=early)
    if found.clock:
        click.echo(found.clock, err=True)
    read = found.read
    if as_json:
        facts = {
            "code": read.code if read else None,
            "file": str(read.file) if read else None,
            "frame": read.frame if read else None,
            "pass": read.passage if read else None,
            "state": found.state,
            "number": found.number,
            "total": found.total,
            "due_utc": found.due_utc.isoformat() if found.due_utc else None,
        }
        click.echo(write_json(facts), nl=False)
    elif read is not None:
        frame = "" if read.frame is None else f", frame {read.frame}"
        begun = " (begun, not locked)" if found.state == "open" else ""
        click.echo(f"{read.code}  {read.file}{frame}  read {found.number} of {found.total}, pass {read.passage}{begun}")
    elif found.due_utc is not None:
        click.echo(f"nothing before {_day(found.due_utc)}: the wash-out is not over")
    else:
        click.echo("everything is read")


@list.command()
@_FOLDER
@_LEDGER
def status(folder: Path, ledger: str | None) -> None:
    """Show how far every reader is."""
    from qca.lists.progress import is_unblinded, progress
    from qca.lists.reading_list import open_list

    listing = open_list(folder)
    with listing.open_ledger(ledger) as record:
        rows = progress(listing, record)
        unblinded = is_unblinded(listing, record)
    words = {"none": "to do", "open": "open", "locked": "locked", "refused": "refused", "withdrawn": "withdrawn"}
    click.echo("".join(name.ljust(11) for name in ("reader", "pass", "reads", *words.values())).rstrip())
    for row in rows:
        counts = (str(row.states.get(state, 0)) for state in ("none", "open", "locked", "refused", "withdrawn"))
        cells = (row.reader, str(row.passage), str(row.total), *counts)
        due = f"  not before {_day(row.due_utc)}" if row.due_utc else ""
        click.echo("".join(cell.ljust(11) for cell in cells).rstrip() + due)
    click.echo("unblinded" if unblinded else "blinded")


@list.command()
@_FOLDER
@_READER
@click.option("--code", "codes", multiple=True, help="Lock this read; may be repeated.")
@click.option("--all", "everything", is_flag=True, help="Lock all reads that have a reading.")
@_LEDGER
@click.option("--by", "actor", metavar="CODE", help="Who does it.  [default: the reader]")
def lock(
    folder: Path,
    reader: str,
    codes: tuple[str, ...],
    everything: bool,  # noqa: FBT001
    ledger: str | None,
    actor: str | None,
) -> None:
    """Lock readings: from then on they are only changed after an unlock with a reason."""
    from qca.lists.reading_list import open_list
    from qca.lists.work import lock as lock_one
    from qca.lists.work import lock_all

    if bool(codes) == everything:
        msg = "give either --code or --all"
        raise click.UsageError(msg)
    listing = open_list(folder)
    with listing.open_ledger(ledger) as record:
        if everything:
            count = lock_all(listing, record, reader, actor=actor)
        else:
            reads = [_own(listing.read(code), reader) for code in codes]
            count = len([lock_one(listing, record, read, actor=actor) for read in reads])
    click.echo(f"locked {count}")


def _own(read: ListedRead, reader: str) -> ListedRead:
    if read.reader != reader:
        from qca.errors import InputError

        msg = f"{read.code} is read by {read.reader}, not by {reader}: check the code."
        raise InputError(msg)
    return read


@list.command()
@_FOLDER
@_READER
@click.option("--code", required=True, help="Which read.")
@_REASON
@_LEDGER
def refuse(folder: Path, reader: str, code: str, reason: str, ledger: str | None) -> None:
    """Enter that a frame cannot be measured, with a reason; the list goes on without it."""
    from qca.lists.reading_list import open_list
    from qca.lists.work import refuse as refuse_one

    listing = open_list(folder)
    with listing.open_ledger(ledger) as record:
        entry = refuse_one(listing, record, _own(listing.read(code), reader), reason)
    click.echo(f"refused {code}, entry {entry.seq}")


@list.command()
@_FOLDER
@click.option("--code", required=True, help="Which read.")
@_REASON
@_BY
@_LEDGER
def unlock(folder: Path, code: str, reason: str, actor: str, ledger: str | None) -> None:
    """Unlock a reading, with a reason."""
    from qca.lists.reading_list import open_list
    from qca.lists.work import unlock as unlock_one

    listing = open_list(folder)
    with listing.open_ledger(ledger) as record:
        entry = unlock_one(listing, record, listing.read(code), reason, actor=actor)
    click.echo(f"unlocked {code}, entry {entry.seq}")


@list.command()
@_FOLDER
@click.option("--code", required=True, help="Which read.")
@_REASON
@_BY
@_LEDGER
def withdraw(folder: Path, code: str, reason: str, actor: str, ledger: str | None) -> None:
    """Withdraw a reading, with a reason: it stays in the record and counts no more."""
    from qca.lists.reading_list import open_list
    from qca.lists.work import withdraw as withdraw_one

    listing = open_list(folder)
    with listing.open_ledger(ledger) as record:
        entry = withdraw_one(listing, record, listing.read(code), reason, actor=actor)
    click.echo(f"withdrew {code}, entry {entry.seq}")


@list.command()
@_FOLDER
@_KEY
@_REASON
@_BY
@click.option("--anyway", is_flag=True, help="Although reads are not locked yet.")
@_LEDGER
def unblind(folder: Path, key: Path, reason: str, actor: str, anyway: bool, ledger: str | None) -> None:  # noqa: FBT001
    """Open the key: from then on the record says which reads are of one frame."""
    from qca.lists.reading_list import open_list
    from qca.lists.work import unblind as open_it

    listing = open_list(folder)
    with listing.open_ledger(ledger) as record:
        entry = open_it(listing, record, key, reason, actor=actor, anyway=anyway)
    click.echo(f"unblinded, entry {entry.seq}")


@list.command()
@_FOLDER
@_KEY
@_READER
@click.option("--spread", default=1.0, show_default=True, metavar="PX", help="SD of the made-up reader's clicks.")
@click.option("--seed", default="", help="Another one is another reader.")
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="FILE", help="A table for qca batch.")
def rehearse(folder: Path, key: Path, reader: str, spread: float, seed: str, out: Path) -> None:
    """Make up a reader's picks for a list of phantom frames, to try a study before anybody reads."""
    from qca.lists.reading_list import open_key, open_list
    from qca.lists.rehearsal import rehearse as make_up
    from qca.whole_file import write_whole

    listing = open_list(folder)
    write_whole(out, make_up(listing, open_key(key, listing), reader, sd_px=spread, seed=seed))
    click.echo(f"wrote {out}", err=True)


def _day(when: datetime) -> str:
    return when.strftime("%Y-%m-%d %H:%M UTC")
