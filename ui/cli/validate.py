"""``qca validate``: measure frames whose truth is known, and say how right the readings are."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ui.cli.folder import FOLDER

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from qca.validation.document import Origin
    from qca.validation.job import Job
    from qca.validation.retina import Image, SiteResult
    from qca.validation.run import Results

_QUICK = {"count": 12, "levels": 0, "hard": 0, "repeats": 0}
_FULL = {"count": 400, "levels": 80, "hard": 24, "repeats": 8}
_USUAL = {"count": 100, "levels": 0, "hard": 0, "repeats": 4}


@click.command(
    short_help="Measure phantoms and print bias, SD and coverage.",
    epilog="SOURCE is a folder with NAME.truth.json and NAME.picks.json beside every frame, as  qca phantom  writes "
    "them, or a truth table of your own frames: a CSV with one row per frame and limb and the columns file, picks, "
    "limb, mld_mm, reference_mm, lesion_length_mm; optional code, frame, ds_percent, mm_per_px, angle_a_deg, "
    "angle_b_deg, angle_c_deg, photons_per_px, blur_mm. Without SOURCE phantoms are drawn.",
)
@click.argument("source", required=False, type=click.Path(path_type=Path))
@click.option("--count", type=click.IntRange(0, 100_000), help="Phantom bifurcations to draw.  [default: 100]")
@click.option("--seed", type=click.IntRange(0, 2**62), default=1, show_default=True, help="Seed of the first phantom.")
@click.option(
    "--levels", type=click.IntRange(0, 100_000), help="Phantoms at each of 300, 900 and 2500 photons per pixel."
)
@click.option("--hard", type=click.IntRange(0, 10_000), help="Phantoms of each added difficulty.")
@click.option("--segments", type=click.IntRange(0, 100_000), default=0, help="Phantom segments to draw.")
@click.option("--repeats", type=click.IntRange(0, 100), help="Repeats on real vessels; 0 leaves them out.")
@click.option("--quick", "amount", flag_value="quick", help="A dozen phantoms: does it work here?")
@click.option("--full", "amount", flag_value="full", help="Everything a release is judged by; takes a while.")
@click.option("--workers", type=click.IntRange(1, 1024), help="Processes.  [default: all cores]")
@click.option("--no-comparator", is_flag=True, help="Leave the off-the-shelf pipeline out.")
@click.option("--out", type=FOLDER, metavar="DIR", help="Write validation.html, validation.json, values.csv.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print validation.json on standard output and nothing else there."
)
@click.option("--markdown", is_flag=True, help="Print the accuracy section in Markdown instead of the overview.")
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    metavar="PAGE",
    help="Put the accuracy section between the markers in PAGE.",
)
def validate(  # noqa: PLR0917 - click passes them by name
    source: Path | None,
    count: int | None,
    seed: int,
    levels: int | None,
    hard: int | None,
    segments: int,
    repeats: int | None,
    amount: str | None,
    workers: int | None,
    no_comparator: bool,  # noqa: FBT001 - click passes it by name
    out: Path | None,
    as_json: bool,  # noqa: FBT001 - the same
    markdown: bool,  # noqa: FBT001 - the same
    into: Path | None,
) -> None:
    """Measure frames with known truth: bias, SD, limits, coverage, efficiency, beside an off-the-shelf pipeline.

    Use it on frames of your own phantoms to see whether the readings may be trusted in your laboratory.
    """
    if as_json and markdown:
        msg = "give either --json or --markdown"
        raise click.UsageError(msg)
    from qca.validation.run import run
    from ui.cli.results import refuse_unwritable

    if out is not None:
        refuse_unwritable(out)
    usual = {"quick": _QUICK, "full": _FULL}.get(amount or "", _USUAL)
    amounts = {
        "count": usual["count"] if count is None else count,
        "levels": usual["levels"] if levels is None else levels,
        "hard": usual["hard"] if hard is None else hard,
        "segments": segments,
    }
    chosen = (0 if source is not None else usual["repeats"]) if repeats is None else repeats
    jobs, frames = _jobs(source, seed, amounts)
    results = run(jobs, workers=workers, comparator=not no_comparator, progress=_progress("frames") if jobs else None)
    sites, photograph = _real_vessels(chosen, workers)
    from qca.validation.document import Origin

    origin = Origin(_command(source, seed, amounts, chosen), None if source is not None else seed, frames)
    _write(results, origin, sites, photograph, out, into)
    _print(results, origin, sites, as_json=as_json, as_markdown=markdown)


def _jobs(source: Path | None, seed: int, amounts: dict[str, int]) -> tuple[Sequence[Job], str]:
    """List what to measure, and what to call it."""
    if source is None:
        from qca.validation.job import drawn_jobs

        jobs = drawn_jobs(
            amounts["count"], seed, hard=amounts["hard"], levels=amounts["levels"], segments=amounts["segments"]
        )
        return jobs, "random phantom frames"
    if source.is_dir():
        from qca.validation.truth_file import folder_jobs

        return folder_jobs(source), f"frames of the folder {source.name}"
    from qca.validation.truth_table import table_jobs

    return table_jobs(source), f"frames of {source.name}"


def _command(source: Path | None, seed: int, amounts: dict[str, int], repeats: int) -> str:
    if source is not None:
        return f"qca validate {source.name}"
    parts = ["qca validate", f"--count {amounts['count']}", f"--seed {seed}"]
    parts += [f"--{name} {amounts[name]}" for name in ("levels", "hard", "segments") if amounts[name]]
    return " ".join([*parts, f"--repeats {repeats}"])


def _progress(what: str) -> Callable[[int, int], None]:
    """Show a line that overwrites itself on a terminal; a line per tenth elsewhere."""
    terminal = sys.stderr.isatty()

    def show(done: int, count: int) -> None:
        if terminal:
            filled = 30 * done // count
            end = "\n" if done == count else ""
            click.echo(f"\r[{'#' * filled}{'.' * (30 - filled)}] {done} of {count} {what}", err=True, nl=False)
            click.echo(end, err=True, nl=False)
        elif done == count or 10 * done // count != 10 * (done - 1) // count:
            click.echo(f"{done} of {count} {what}", err=True)

    return show


def _real_vessels(repeats: int, workers: int | None) -> tuple[Sequence[SiteResult], Image | None]:
    if not repeats:
        return (), None
    from qca.validation.real_vessels import measure_sites
    from qca.validation.retina import retina_pixels

    return measure_sites(repeats, workers=workers, progress=_progress("sites of real vessels")), retina_pixels()


def _write(
    results: Results,
    origin: Origin,
    sites: Sequence[SiteResult],
    photograph: Image | None,
    out: Path | None,
    into: Path | None,
) -> None:
    if out is not None:
        from qca.json_text import write_json
        from qca.validation.document import validation_document
        from qca.validation.report import validation_html
        from qca.validation.values_csv import refused_csv, values_csv
        from qca.whole_file import write_together

        files = {
            "validation.html": validation_html(results, origin, sites, photograph),
            "validation.json": write_json(validation_document(results, origin, sites)),
            "values.csv": values_csv(results),
            "refused.csv": refused_csv(results),
        }
        for path in write_together(out, files):
            click.echo(f"wrote {path}", err=True)
    if into is not None:
        from qca.validation.readme import accuracy_markdown, write_section

        write_section(into, accuracy_markdown(results, origin, sites))
        click.echo(f"wrote {into}", err=True)


def _print(results: Results, origin: Origin, sites: Sequence[SiteResult], *, as_json: bool, as_markdown: bool) -> None:
    if as_json:
        from qca.json_text import write_json
        from qca.validation.document import validation_document

        click.echo(write_json(validation_document(results, origin, sites)), nl=False)
        return
    if as_markdown:
        from qca.validation.readme import accuracy_markdown

        click.echo(accuracy_markdown(results, origin, sites), nl=False)
        return
    from qca import CAUTION
    from qca.validation.counts import shares, speed_row
    from qca.validation.strata import plain_part
    from qca.validation.tables import overview

    for table in (*overview(plain_part(results)), shares(results)):
        click.echo(f"{table.title}\n")
        rows = [table.head, *table.rows]
        widths = [max(len(row[i]) for row in rows) for i in range(len(table.head))]
        for row in rows:
            click.echo("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
        click.echo("")
    for refusal in results.refusals:
        click.echo(f"no reading: {refusal.case}, {refusal.method}: {refusal.kind}: {refusal.message}", err=True)
    click.echo(speed_row(results))
    click.echo(CAUTION)
