"""``qca demo``: the shipped sample from end to end."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ui.cli.folder import FOLDER

if TYPE_CHECKING:
    from qca.reading import Reading
    from qca.sizing.worksheet import Worksheet


@click.command(short_help="Measure the shipped sample and say where the results are.")
@click.option(
    "--out",
    type=FOLDER,
    default=Path("results/demo"),
    show_default=True,
    metavar="DIR",
    help="Where the results go.",
)
def demo(out: Path) -> None:
    """Measure the shipped bifurcation phantom with its shipped picks, size it, and say where the results are.

    The frame is synthetic: its true diameters stand beside it in sample_images, so the table can be checked. Devices
    and case facts of the worksheet are invented.
    """
    from qca.frames import open_frame
    from qca.picks_file import read_picks
    from qca.pipeline import measure
    from qca.sizing.terminal import worksheet_lines
    from ui.cli.results import print_table, refuse_unwritable, write_results
    from ui.cli.samples import sample

    image, picks_file = sample("bifurcation")
    refuse_unwritable(out)
    picks = read_picks(picks_file)
    frame = open_frame(image, index=picks.frame)
    reading = measure(frame, picks)
    sheet = _worksheet(reading, image.parent)
    written = write_results(reading, frame, out, worksheet=sheet)
    click.echo(f"Frame: {image}\nPicks: {picks_file}\n")
    print_table(reading)
    click.echo()
    click.echo(worksheet_lines(sheet).rstrip("\n"))
    click.echo("\nWritten:")
    for path in written:
        click.echo(f"  {path}")


def _worksheet(reading: Reading, samples: Path) -> Worksheet:
    """Apply the sizing rules with the invented devices and case facts beside the samples."""
    import hashlib

    from qca.document import reading_text
    from qca.sizing.case import parse_case
    from qca.sizing.devices import parse_devices
    from qca.sizing.worksheet import Origin, Origins, plan
    from ui.cli.input_text import read_text

    devices, devices_origin = read_text(samples / "demo_devices.csv", "device table")
    case, case_origin = read_text(samples / "demo_case.toml", "case file")
    digest = hashlib.sha256(reading_text(reading).encode("utf-8")).hexdigest()
    return plan(
        reading,
        table=parse_devices(devices, name="demo_devices.csv"),
        case=parse_case(case, name="demo_case.toml"),
        origins=Origins(Origin("reading.json", digest), devices_origin, case_origin),
    )
