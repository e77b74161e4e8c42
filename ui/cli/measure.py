"""``qca measure``: one frame, its picks, and the numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ui.cli.folder import FOLDER
from ui.cli.points import POINT, with_changes

_BIFURCATION = ("proximal", "distal", "side")
_SEGMENT = ("start", "end")
_EITHER_OR = (
    ("french", "catheter_mm"),
    ("catheter", "mm_per_px", "scale"),
    ("french", "mm_per_px", "scale"),
    ("catheter_mm", "mm_per_px", "scale"),
)
"""Options of which a command line may give one."""


@click.command(
    short_help="Measure a bifurcation or one segment on one frame.",
    epilog="Points are X,Y = column,row in stored pixels; an integer is a pixel centre. Uncertainties are one standard "
    "deviation.",
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--proximal", type=POINT, help="A point on the proximal main vessel.")
@click.option("--distal", type=POINT, help="A point on the distal main vessel.")
@click.option("--side", type=POINT, help="A point on the side branch.")
@click.option("--start", type=POINT, help="Where one segment starts.")
@click.option("--end", type=POINT, help="Where it ends.")
@click.option("--frame", type=int, metavar="N", help="Frame number, counted from 0; a still needs none.")
@click.option("--catheter", type=POINT, nargs=2, metavar="X,Y X,Y", help="Two points along the catheter shaft.")
@click.option("--french", type=float, metavar="F", help="The catheter's outer diameter as its French size.")
@click.option(
    "--catheter-mm", type=float, metavar="D", help="The catheter's diameter in mm, measured rather than labelled."
)
@click.option(
    "--filled-lumen",
    "feature",
    flag_value="filled_lumen",
    help="The catheter is full of contrast, and --catheter-mm is the inner diameter of its lumen.",
)
@click.option("--outer-wall", "feature", flag_value="outer_wall", help="The size is the outer diameter (the default).")
@click.option("--mm-per-px", type=float, metavar="S", help="A known scale instead of a catheter.")
@click.option("--mm-per-px-sd", type=float, metavar="SD", help="The standard uncertainty of that scale.")
@click.option("--scale", type=click.Choice(["header"]), help="The DICOM header's scale instead of a catheter.")
@click.option(
    "--picks", type=click.Path(path_type=Path), help="All of the above from a JSON file; options win over it."
)
@click.option(
    "--set", "changes", metavar="NAME=VALUE", multiple=True, help="Change a setting; recorded in the reading."
)
@click.option(
    "--out",
    type=FOLDER,
    metavar="DIR",
    help="Write reading.json, report.html, profile.csv and overlay.png there.",
)
@click.option("--json", "as_json", is_flag=True, help="Print reading.json on standard output, and nothing else there.")
def measure(
    file: Path,
    *,
    picks: Path | None,
    changes: tuple[str, ...],
    out: Path | None,
    as_json: bool,
    feature: str | None,
    **given: Any,  # noqa: ANN401 - the picks, by their names
) -> None:
    """Measure a bifurcation (--proximal, --distal, --side) or one segment (--start, --end) on one frame of FILE.

    FILE is a DICOM angiogram, a PNG or a TIFF. The scale comes from a catheter in the frame, from a number or from the
    header; without one the reading is in pixels and says so.
    """
    given["catheter_feature"] = feature
    _refuse_contradictions(given)
    _ask_for_points(given, from_file=picks is not None)

    from qca.document import reading_text
    from qca.frames import open_frame
    from qca.picks import Picks
    from qca.picks_file import check_complete, check_picks, override, read_picks
    from qca.pipeline import measure as measure_frame
    from qca.settings import DEFAULT_SETTINGS
    from ui.cli.results import print_table, refuse_unwritable, write_results

    settings = with_changes(DEFAULT_SETTINGS, changes)
    chosen = override(read_picks(picks) if picks is not None else Picks(), given)
    check_picks(chosen)
    check_complete(chosen)
    if out is not None:
        refuse_unwritable(out)
    frame = open_frame(file, index=chosen.frame)
    reading = measure_frame(frame, chosen, settings)
    written = write_results(reading, frame, out) if out is not None else ()
    if as_json:
        click.echo(reading_text(reading), nl=False)
    else:
        print_table(reading)
    for path in written:
        click.echo(f"written: {path}", err=True)


def _refuse_contradictions(given: dict[str, Any]) -> None:
    """Refuse options that exclude each other; exit code 2."""
    named = [key for key, value in given.items() if value is not None]
    kinds = [[key for key in kind if key in named] for kind in (_BIFURCATION, _SEGMENT)]
    if all(kinds):
        many, few = (", ".join(_option(key) for key in kind) for kind in kinds)
        msg = f"{many} (a bifurcation) and {few} (a segment) exclude each other."
        raise click.UsageError(msg)
    for group in ([key for key in group if key in named] for group in _EITHER_OR):
        if len(group) > 1:
            msg = f"{' and '.join(_option(key) for key in group)} exclude each other."
            raise click.UsageError(msg)


def _ask_for_points(given: dict[str, Any], *, from_file: bool) -> None:
    """Ask for the points that are missing on a command line without a picks file; exit code 2."""
    if from_file:
        return
    wanted = _SEGMENT if any(given[key] is not None for key in _SEGMENT) else _BIFURCATION
    missing = [key for key in wanted if given[key] is None]
    if missing == list(_BIFURCATION):
        msg = "give --proximal, --distal and --side for a bifurcation, --start and --end for a segment, or --picks."
        raise click.UsageError(msg)
    if missing:
        msg = f"{' and '.join(_option(key) for key in missing)} {'is' if len(missing) == 1 else 'are'} missing."
        raise click.UsageError(msg)


def _option(key: str) -> str:
    return "--" + key.replace("_", "-")
