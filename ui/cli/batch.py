"""``qca batch``: measure all frames of a list."""

from __future__ import annotations

import contextlib
import signal
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ui.cli.main import STOPPED

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from qca.batch.pool import Pool
    from qca.lists.reading_list import ReadingList
    from qca.store.ledger import Ledger


@click.command(
    short_help="Measure all frames of a list.",
    epilog="LIST is a CSV with the columns code, file, frame, proximal, distal, side, start, end, catheter_a, "
    "catheter_b, french, catheter_mm, mm_per_px: points as 'x y', empty where not used, relative files from the list's "
    "folder; reader, pass, scale (header) and mm_per_px_sd may be added. Exit code 0 when the list was gone through, 1 "
    "when not one frame could be measured.",
)
@click.argument("table", metavar="LIST", type=click.Path(path_type=Path))
@click.option("--out", "folder", required=True, type=click.Path(path_type=Path), metavar="DIR", help="For the tables.")
@click.option("--ledger", metavar="URL", help="The record: a file or a database URL.  [default: DIR/ledger.sqlite]")
@click.option("--scheduler", metavar="ADDRESS", help="Measure on this Dask cluster, tcp://host:port.")
@click.option("--workers", type=click.IntRange(1, 1024), metavar="N", help="Processes here.  [default: the cores]")
@click.option(
    "--list", "list_folder", type=click.Path(path_type=Path), metavar="FOLDER", help="The codes' reading list."
)
@click.option("--reader", default="", metavar="CODE", help="Reader of rows that name none.")
@click.option("--pass", "passage", type=click.IntRange(1), metavar="N", help="Pass of rows that name none.")
@click.option("--retry", is_flag=True, help="Measure again what earlier runs refused.")
@click.option("--attempts", type=click.IntRange(1, 10), default=2, show_default=True, help="Tries when a worker dies.")
@click.option(
    "--seconds", type=click.FloatRange(min=1), default=300, show_default=True, help="Longest time for a frame."
)
@click.option(
    "--set", "changes", metavar="NAME=VALUE", multiple=True, help="Change a setting; recorded in the readings."
)
@click.option("--parquet", is_flag=True, help="Write the tables as Parquet files too.")
@click.option("--dry-run", is_flag=True, help="Only say what would be done.")
@click.pass_context
def batch(  # noqa: PLR0917 - click passes options by name
    context: click.Context,
    table: Path,
    folder: Path,
    ledger: str | None,
    scheduler: str | None,
    workers: int | None,
    list_folder: Path | None,
    reader: str,
    passage: int | None,
    retry: bool,  # noqa: FBT001
    attempts: int,
    seconds: float,
    changes: tuple[str, ...],
    parquet: bool,  # noqa: FBT001
    dry_run: bool,  # noqa: FBT001
) -> None:
    """Measure all frames of LIST on the local cores or a cluster; enter them in the ledger; write tables into DIR.

    Writes readings_long.csv, readings_wide.csv, refused.csv and data_dictionary.csv. Stopped or killed at any moment:
    the same line goes on where it was, and nothing is measured twice.
    """
    import sys

    from qca.batch.jobs import read_job_list
    from qca.batch.plan import Options, plan
    from qca.batch.run import run_batch
    from qca.errors import InputError
    from qca.lists.reading_list import open_list
    from qca.settings import DEFAULT_SETTINGS
    from ui.cli.points import with_changes

    if scheduler is not None and workers is not None:
        msg = "--workers is for this machine and --scheduler for a cluster: give one of them"
        raise click.UsageError(msg)
    listing = None if list_folder is None else open_list(list_folder)
    settings = with_changes(DEFAULT_SETTINGS, changes)
    jobs = read_job_list(table, settings=settings, listing=listing, reader=reader, passage=passage)
    options = Options(retry=retry, parquet=parquet)
    if dry_run:
        with _opened(listing, ledger, folder, look=True) as record:
            found = plan(jobs, record, options)
        click.echo(
            f"{found.total} rows: {found.measured} measured before, {found.refused} refused before, {found.todo} to "
            f"measure, {found.unusable} of them without a usable row or file"
        )
        return
    with _stop_signals() as stopped, _opened(listing, ledger, folder, look=False) as record:
        assert record is not None  # noqa: S101 - made if it was not there
        done = run_batch(
            jobs,
            folder,
            record,
            _pool_maker(scheduler, workers, seconds, attempts),
            options=options,
            stream=sys.stderr,
            stopped=stopped,
        )
    click.echo(f"{done.measured} of {done.total} frames measured, {done.refused} refused, tables in {folder}")
    if done.left:
        click.echo(f"qca: stopped with {done.left} frames to go: the same line goes on from here.", err=True)
        context.exit(STOPPED)
    if not done.measured:
        msg = f"Not one frame of {table.name} could be measured: {folder / 'refused.csv'} says why."
        raise InputError(msg)


def _opened(
    listing: ReadingList | None, place: str | None, folder: Path, *, look: bool
) -> contextlib.AbstractContextManager[Ledger | None]:
    """Open the ledger; when only looking, None stands for one that is not there."""
    from qca.store.ledger import Ledger

    if listing is not None:
        return listing.open_ledger(place, readonly=look)
    where = place or str(folder / "ledger.sqlite")
    if look and "://" not in where and not Path(where).exists():
        return contextlib.nullcontext(None)
    return Ledger(where, create=not look, readonly=look)


def _pool_maker(scheduler: str | None, workers: int | None, seconds: float, attempts: int) -> Callable[[int], Pool]:
    def make(frames: int) -> Pool:
        from qca.batch import task

        if scheduler is not None:
            from qca.batch.cluster import ClusterPool

            return ClusterPool(scheduler, seconds=seconds, attempts=attempts, measure=task.MEASURE)
        from qca.batch.pool import LocalPool, usable_cores

        count = min(workers or usable_cores(), frames)
        return LocalPool(count, seconds=seconds, attempts=attempts, measure=task.MEASURE)

    return make


@contextlib.contextmanager
def _stop_signals() -> Iterator[Callable[[], bool]]:
    """Let Ctrl-C and a polite kill end the run in order; a second one ends it at once."""
    asked: list[int] = []

    def note(number: int, _: object) -> None:
        asked.append(number)
        for each in (signal.SIGINT, signal.SIGTERM):
            signal.signal(each, signal.SIG_DFL)

    try:
        before = {each: signal.signal(each, note) for each in (signal.SIGINT, signal.SIGTERM)}
    except ValueError:  # not in the main thread: nobody sends signals there
        yield lambda: False
        return
    try:
        yield lambda: bool(asked)
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
