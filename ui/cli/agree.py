"""``qca agree``: how far readers and passes differ."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from qca.agreement.comparison import Agreement
    from qca.agreement.observations import Observation


@click.command(
    short_help="Reader statistics from the record or a table.",
    epilog="TABLE is a CSV with one value per row: value and code (or item), and where they apply reader, pass, limb, "
    "quantity, unit, sd; readings_long.csv of a batch is one. Reads are matched by item, else by code. Within each "
    "reader all passes are compared, between readers the first passes.",
)
@click.argument("tables", metavar="[TABLE]...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--ledger", metavar="URL", help="Take the readings of this ledger instead: a file or a database URL.")
@click.option(
    "--list",
    "list_folder",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Only the reads of this reading list, which must have been unblinded.",
)
@click.option("--quantity", "quantities", multiple=True, help="Only this quantity, such as mld; may be repeated.")
@click.option("--limb", "limbs", multiple=True, help="Only this limb; may be repeated.")
@click.option(
    "--factor",
    type=click.FloatRange(min=0, min_open=True),
    default=1.96,
    show_default=True,
    help="SDs between the bias and the limits of agreement.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Write agreement.html and agreement.csv there."
)
@click.option("--csv", "as_csv", is_flag=True, help="Print agreement.csv on standard output instead of the overview.")
def agree(
    tables: tuple[Path, ...],
    ledger: str | None,
    list_folder: Path | None,
    quantities: tuple[str, ...],
    limbs: tuple[str, ...],
    factor: float,
    out: Path | None,
    as_csv: bool,  # noqa: FBT001 - click passes it by name
) -> None:
    """Compare readers and passes: bias, limits of agreement, repeatability, correlations, kappa.

    Give one or more TABLEs, or a ledger, or a reading list.
    """
    if bool(tables) + (ledger is not None or list_folder is not None) != 1:
        msg = "give either tables, or --ledger or --list"
        raise click.UsageError(msg)
    from qca import CAUTION
    from qca.agreement.comparison import agree as compare
    from qca.agreement.numbers import numbers_csv
    from qca.agreement.report import report_html
    from qca.whole_file import write_together

    observations, notes, source = _observations(tables, ledger, list_folder)
    agreement = compare(observations, factor=factor, quantities=quantities, limbs=limbs, notes=notes)
    numbers = numbers_csv(agreement)
    if out is not None:
        page = report_html(agreement, source=source)
        for path in write_together(out, {"agreement.html": page, "agreement.csv": numbers}):
            click.echo(f"wrote {path}", err=True)
    if as_csv:
        click.echo(numbers, nl=False)
    else:
        _print_overview(agreement)
    for note in (*agreement.notes, CAUTION):
        click.echo(note, err=True)


def _observations(
    tables: tuple[Path, ...], ledger: str | None, list_folder: Path | None
) -> tuple[tuple[Observation, ...], tuple[str, ...], str]:
    """Values, what was assumed, and a word on where they came from that names no folder."""
    if tables:
        from qca.agreement.observations import read_observations

        observations, notes = read_observations(tables)
        return observations, notes, ", ".join(path.name for path in tables)
    from qca.lists.values import ledger_observations

    return ledger_observations(ledger, list_folder)


def _print_overview(agreement: Agreement) -> None:
    from qca.agreement.numbers import statistics
    from qca.agreement.report import kappa_shown, main_first, who
    from qca.agreement.written import statistic_text

    main, further = main_first(agreement)
    columns = {"bias": "bias", "sd_of_differences": "SD", "within_subject_sd": "within SD", "icc_2_1": "ICC(2,1)"}
    table = [("limb", "quantity", "reads", "n", *columns.values(), "kappa")]
    for one in main:
        found = {each.name: statistic_text(each) for each in statistics(one)}
        cells = [*(found.get(name, "") for name in columns), kappa_shown(one)]
        table.append((one.limb, one.quantity, who(one), str(len(one.items) - one.missing), *cells))
    widths = [max(len(row[index]) for row in table) for index in range(len(table[0]))]
    for row in table:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    if further:
        names = ", ".join(dict.fromkeys(one.quantity for one in further))
        click.echo(f"{len(further)} more comparisons, of {names}: in --out and --csv, or by --quantity.", err=True)
