"""``qca ledger``: show, check, copy and merge the record of readings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from qca.store.entry import Entry

_PLACE = click.argument("place", metavar="LEDGER")
_BY = click.option("--by", "actor", default="coordinator", show_default=True, metavar="CODE", help="Who does it.")
_BLINDED = click.option(
    "--blinded", is_flag=True, help="Results of reading lists that are still blinded, too: not for their readers."
)


@click.group(short_help="Show and check the record of readings.")
def ledger() -> None:
    """Show, check, copy and merge the record of readings.

    LEDGER is a file (study.sqlite) or a database (postgresql+psycopg://user@host/database).
    """


@ledger.command()
@_PLACE
@click.option(
    "--receipt",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Hold the ledger against the ends noted in FILE, and note its end there. Keep FILE elsewhere: only it shows "
    "that entries were cut off at the end.",
)
def check(place: str, receipt: Path | None) -> None:
    """Prove that nothing was changed or lost, or name the entry that broke the chain."""
    from qca.store.check import add_receipt, read_receipts
    from qca.store.check import check as walk
    from qca.store.errors import DamagedLedger
    from qca.store.ledger import Ledger

    try:
        with Ledger(place, readonly=True) as record:
            heads = read_receipts(receipt, record.ledger_id) if receipt else ()
            verdict = walk(record, receipts=heads)
            if verdict.intact and receipt:
                add_receipt(receipt, record.ledger_id, verdict.head)
    except DamagedLedger as error:
        _explain_damage(place, error)
        raise
    for remark in verdict.remarks:
        click.echo(remark, err=True)
    if not verdict.intact:
        from qca.errors import InputError

        msg = f"The ledger is broken. {verdict.problem} {verdict.head.seq} entries before that are intact."
        raise InputError(msg)
    click.echo(f"intact: {verdict.entries} entries, {verdict.documents} documents, ends at {verdict.head}")


def _explain_damage(place: str, error: Exception) -> None:
    """Say on standard error what is still readable in a damaged file."""
    from qca.store.address import parse_address
    from qca.store.salvage import salvage

    path = parse_address(place).path
    if path is None or not path.is_file():
        return
    found = salvage(path)
    click.echo(f"{found.damage} Readable and intact: entries 1 to {len(found.chain)}", err=True, nl=False)
    click.echo(f", and {len(found.loose)} behind a gap." if found.loose else ".", err=True)
    del error


@ledger.command()
@_PLACE
@click.option("--code", help="Only entries about this code.")
@click.option("--last", type=click.IntRange(1), metavar="N", help="Only the last N.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object per line.")
def show(place: str, code: str | None, last: int | None, as_json: bool) -> None:  # noqa: FBT001
    """List what happened: who, what, when. Of a damaged file, what is still readable."""
    from dataclasses import asdict

    from qca.store.address import parse_address
    from qca.store.entry import json_line
    from qca.store.errors import DamagedLedger
    from qca.store.ledger import Ledger
    from qca.store.salvage import salvage

    try:
        with Ledger(place, readonly=True) as record:
            after = max(record.head().seq - last, 0) if last and code is None else 0
            entries: Sequence[Entry] = tuple(record.entries(after=after, code=code))
    except DamagedLedger:
        path = parse_address(place).path
        if path is None or not path.is_file():
            raise
        found = salvage(path)
        click.echo(f"{found.damage} Showing what is readable.", err=True)
        entries = [entry for entry in (*found.chain, *found.loose) if code in (None, entry.code)]
    for entry in entries[-last:] if last else entries:
        if as_json:
            click.echo(json_line(asdict(entry)))
            continue
        about = " ".join(
            part for part in (entry.code, entry.reader, f"pass {entry.passage}" if entry.passage else "") if part
        )
        reason = f"  {entry.reason}" if entry.reason else ""
        when = f"{entry.time_utc[:19]}Z"
        click.echo(f"{entry.seq:>7}  {when}  {entry.kind:<10} {about or entry.list_id}  by {entry.actor}{reason}")


@ledger.command()
@_PLACE
@click.argument("number", metavar="ENTRY", type=click.IntRange(1))
@_BLINDED
def reading(place: str, number: int, blinded: bool) -> None:  # noqa: FBT001
    """Print the reading.json (or list, or opened key) of one entry."""
    from qca.errors import InputError
    from qca.lists.values import is_blinded
    from qca.store.ledger import Ledger
    from qca.store.rules import CONTENT_KINDS

    with Ledger(place, readonly=True) as record:
        entry = record.entry_at(number)
        if entry is None or not entry.reading_sha256:
            msg = f"There is no entry {number} with a reading: the ledger ends at {record.head().seq}."
            raise InputError(msg)
        if entry.kind in CONTENT_KINDS and not blinded and is_blinded(record, entry.list_id):
            msg = f"Entry {number} belongs to a reading list that is still blinded: unblind it first, or add --blinded."
            raise InputError(msg)
        click.echo(record.document(entry.reading_sha256).decode("utf-8"), nl=False)


@ledger.command()
@_PLACE
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="DIR", help="Where the tables go.")
@click.option("--list", "folder", type=click.Path(path_type=Path), metavar="FOLDER", help="Only this reading list.")
@click.option("--parquet", is_flag=True, help="Write Parquet files too.")
@_BLINDED
def table(place: str, out: Path, folder: Path | None, parquet: bool, blinded: bool) -> None:  # noqa: FBT001
    """Write the readings that count: readings_long.csv, readings_wide.csv, data_dictionary.csv."""
    from qca.lists.reading_list import open_list
    from qca.lists.values import read_names, reads_that_count
    from qca.store.ledger import Ledger
    from qca.store.table_files import write_tables

    list_id = open_list(folder).list_id if folder else None
    with Ledger(place, readonly=True) as record:
        hidden = 0 if blinded else sum(name.blinded for name in read_names(record, list_id))
        count = write_tables(out, reads_that_count(record, list_id, blinded=blinded), parquet=parquet)
    if hidden:
        click.echo(f"{hidden} reads of reading lists that are still blinded are left out", err=True)
    click.echo(f"wrote {count} readings into {out}", err=True)
    if not (count or hidden):
        click.echo("No reading in this ledger counts: none was entered yet, or all were withdrawn.", err=True)


@ledger.command("copy")
@click.argument("source", metavar="FROM")
@click.argument("target", metavar="TO")
def copy_(source: str, target: str) -> None:
    """Copy a ledger with its identity and chain into a new file or an empty database; checked on the way.

    Of a damaged file, the intact entries up to the damage are saved.
    """
    from qca.store.transfer import copy, open_source

    with open_source(source, allow_damaged=True) as opened:
        done = copy(opened, target)
    if done.damage:
        behind = (
            f"; {done.lost} readable entries behind the gap are not in it, see 'qca ledger show'" if done.lost else ""
        )
        click.echo(f"{done.damage} Saved what was intact up to there{behind}.", err=True)
    click.echo(f"copied {done.entries} entries, ends at {done.head}")


@ledger.command("import")
@click.argument("source", metavar="FILE", type=click.Path(path_type=Path))
@click.argument("target", metavar="TO")
def import_(source: Path, target: str) -> None:
    """Make a ledger from an exported file; the same as copy."""
    from qca.store.transfer import copy, open_source

    with open_source(source) as opened:
        done = copy(opened, target)
    click.echo(f"imported {done.entries} entries, ends at {done.head}")


@ledger.command("export")
@click.argument("source", metavar="LEDGER")
@click.argument("file", type=click.Path(path_type=Path))
def export_(source: str, file: Path) -> None:
    """Write a ledger into a text file, name.jsonl or name.jsonl.gz, from which it can be made again without loss."""
    from qca.store.transfer import export, open_source

    if not file.name.endswith((".jsonl", ".jsonl.gz")):
        msg = "the file's name must end in .jsonl or .jsonl.gz"
        raise click.BadParameter(msg, param_hint="FILE")
    with open_source(source) as opened:
        done = export(opened, file)
    click.echo(f"exported {done.entries} entries, ends at {done.head}")


@ledger.command("merge")
@click.argument("source", metavar="FROM")
@click.argument("target", metavar="INTO")
@_BY
def merge_(source: str, target: str, actor: str) -> None:
    """Append to INTO what FROM has and INTO has not. FROM is a ledger or an exported file, and is not changed."""
    from qca.store.ledger import Ledger
    from qca.store.transfer import merge, open_source

    with open_source(source) as opened, Ledger(target) as record:
        done = merge(opened, record, actor=actor)
    for late in done.late:
        click.echo(f"kept, but does not count, because that read was locked or in another state: {late}", err=True)
    click.echo(f"merged {done.entries} entries, {done.skipped} were there, ends at {done.head}")


@ledger.command("upgrade")
@_PLACE
def upgrade_(place: str) -> None:
    """Bring a ledger of an older version to this one. Make a copy first."""
    from qca.store.address import parse_address
    from qca.store.database import upgrade

    before, after = upgrade(parse_address(place))
    click.echo(f"was version {before}, is version {after}" if before != after else f"is version {after} already")
