"""``qca demo``: the shipped sample from end to end."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(short_help="Measure the shipped sample and say where the results are.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("results/demo"),
    show_default=True,
    metavar="DIR",
    help="Where the results go.",
)
def demo(out: Path) -> None:
    """Measure the shipped bifurcation phantom with its shipped picks, and say where the results are.

    The frame is synthetic: its true diameters stand beside it in sample_images, so the table can be checked.
    """
    from qca.frames import open_frame
    from qca.picks_file import read_picks
    from qca.pipeline import measure
    from ui.cli.results import print_table, refuse_unwritable, write_results
    from ui.cli.samples import sample

    image, picks_file = sample("bifurcation")
    refuse_unwritable(out)
    picks = read_picks(picks_file)
    frame = open_frame(image, index=picks.frame)
    reading = measure(frame, picks)
    written = write_results(reading, frame, out)
    click.echo(f"Frame: {image}\nPicks: {picks_file}\n")
    print_table(reading)
    click.echo("\nWritten:")
    for path in written:
        click.echo(f"  {path}")
