"""``qca plan``: the sizing rules applied to a reading."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ui.cli.folder import FOLDER

if TYPE_CHECKING:
    from qca.sizing.worksheet import Worksheet

_TECHNIQUES = (
    "provisional",
    "t",
    "t_and_protrusion",
    "mini_crush",
    "double_kissing_crush",
    "culotte_classic",
    "culotte_inverted",
)
"""As in qca.sizing.case (a test compares them); written here so that --help imports nothing."""

_FILE = click.Path(exists=False, dir_okay=False, path_type=Path)


@click.command()
@click.argument("reading", type=_FILE)
@click.option("--devices", type=_FILE, help="Your device table (CSV); without it: targets only.")
@click.option("--case", "case_file", type=_FILE, help="Facts of the case that no image gives (TOML).")
@click.option("--rules", "rules_file", type=_FILE, help="Your own thresholds (TOML); the worksheet records them.")
@click.option("--use", "uses", multiple=True, metavar="ROLE=LABEL", help="Fix a device of the table; repeatable.")
@click.option("--technique", type=click.Choice(_TECHNIQUES), help="The technique chosen: its steps are printed.")
@click.option("--out", type=FOLDER, metavar="DIR", help="Write worksheet.json and worksheet.html there.")
@click.option(
    "--frame-file",
    type=_FILE,
    help="The file that was measured: with --out, report.html with the worksheet in it, too.",
)
@click.option("--json", "as_json", is_flag=True, help="Print worksheet.json on standard output and nothing else.")
def plan(
    *,
    reading: Path,
    devices: Path | None,
    case_file: Path | None,
    rules_file: Path | None,
    uses: tuple[str, ...],
    technique: str | None,
    out: Path | None,
    frame_file: Path | None,
    as_json: bool,
) -> None:
    """Compare stenting techniques on READING (a reading.json) by the numbers.

    Prints which technique fits, is borderline, does not fit or cannot be told, with margins, probabilities and
    sources; target sizes with the fitting devices of your table; and the steps of the technique you name. It decides
    nothing.
    """
    from qca.sizing.document import worksheet_text
    from qca.sizing.terminal import worksheet_lines

    if frame_file is not None and out is None:
        msg = "says what the report is drawn on: give --out, where it is to be written."
        raise click.BadParameter(msg, param_hint="--frame-file")
    fixed = _fixed(uses)
    sheet = _worksheet(reading, devices, case_file, rules_file, fixed, technique)
    if out is not None:
        from qca.sizing.html import worksheet_page
        from qca.whole_file import write_together

        files: dict[str, str | bytes] = {
            "worksheet.json": worksheet_text(sheet),
            "worksheet.html": worksheet_page(sheet),
        }
        if frame_file is not None:
            files["report.html"] = _report(reading, frame_file, sheet)
        for path in write_together(out, files):
            click.echo(f"wrote {path}", err=True)
    click.echo(worksheet_text(sheet) if as_json else worksheet_lines(sheet), nl=False)


def _report(reading_file: Path, frame_file: Path, sheet: Worksheet) -> str:
    """Write the reading's report anew, with the worksheet as a section.

    Raises
    ------
    InputError
        If the file is not the one that was measured.
    """
    from qca.document import read_reading
    from qca.errors import InputError
    from qca.frames import open_frame
    from qca.report.html import report_html

    reading = read_reading(reading_file)
    frame = open_frame(frame_file, index=reading.frame.index)
    if frame.sha256 != reading.frame.sha256:
        msg = (
            f"{frame_file.name} is not the file that was measured ({reading.frame.file}, SHA-256 "
            f"{reading.frame.sha256[:12]}…): give that one, or leave --frame-file out."
        )
        raise InputError(msg, file=frame_file.name)
    return report_html(reading, frame, sheet)


def _worksheet(
    reading: Path,
    devices: Path | None,
    case_file: Path | None,
    rules_file: Path | None,
    fixed: dict[str, str],
    technique: str | None,
) -> Worksheet:
    from qca.document import parse_reading
    from qca.sizing.case import NO_CASE, parse_case
    from qca.sizing.devices import NO_DEVICES, parse_devices
    from qca.sizing.overrides import NO_OVERRIDES, parse_overrides
    from qca.sizing.worksheet import Origins
    from qca.sizing.worksheet import plan as make_plan
    from ui.cli.input_text import read_text

    text, origin = read_text(reading, "reading")
    table, case, overrides = NO_DEVICES, NO_CASE, NO_OVERRIDES
    table_origin = case_origin = rules_origin = None
    if devices is not None:
        table_text, table_origin = read_text(devices, "device table")
        table = parse_devices(table_text, name=devices.name)
    if case_file is not None:
        case_text, case_origin = read_text(case_file, "case file")
        case = parse_case(case_text, name=case_file.name)
    if rules_file is not None:
        rules_text, rules_origin = read_text(rules_file, "rules file")
        overrides = parse_overrides(rules_text, name=rules_file.name)
    return make_plan(
        parse_reading(text, name=reading.name),
        table=table,
        case=case,
        overrides=overrides,
        fixed=fixed,
        technique=technique,
        origins=Origins(origin, table_origin, case_origin, rules_origin),
    )


def _fixed(uses: tuple[str, ...]) -> dict[str, str]:
    """Split ROLE=LABEL options.

    Raises
    ------
    click.BadParameter
        If one is not of that form or a role is given twice.
    """
    fixed: dict[str, str] = {}
    for use in uses:
        role, equals, label = use.partition("=")
        if not equals or not role or not label:
            msg = f"{use!r} is no ROLE=LABEL, such as main_stent=LABEL."
            raise click.BadParameter(msg, param_hint="--use")
        if role in fixed:
            msg = f"the role {role!r} is given twice."
            raise click.BadParameter(msg, param_hint="--use")
        fixed[role] = label
    return fixed
