"""``qca compare``: readings before, after and later."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ui.cli.folder import FOLDER

if TYPE_CHECKING:
    from qca.change.region import Stretch

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("before", type=_FILE)
@click.argument("after", type=_FILE)
@click.argument("later", type=_FILE, required=False)
@click.option(
    "--stent",
    "stents",
    multiple=True,
    metavar="LIMB=FROM,TO",
    help="A stented stretch, mm from the carina, such as proximal=0,12; repeatable. Adds in-stent and margin numbers.",
)
@click.option("--rules", "rules_file", type=_FILE, help="Your own thresholds (TOML).")
@click.option(
    "--out",
    type=FOLDER,
    metavar="DIR",
    help="Write comparison.html, a page to look at, and comparison.json there.",
)
@click.option("--json", "as_json", is_flag=True, help="Print comparison.json on standard output and nothing else.")
def compare(
    before: Path,
    after: Path,
    later: Path | None,
    stents: tuple[str, ...],
    rules_file: Path | None,
    out: Path | None,
    as_json: bool,  # noqa: FBT001 - click passes options by name
) -> None:
    """Compare readings of one bifurcation BEFORE and AFTER treatment, and LATER (reading.json files).

    Acute gain, residual stenosis, late loss and restenosis per limb, each with its uncertainty and whether the change
    exceeds measurement error.
    """
    from qca.change.comparison import compare as make_comparison
    from qca.change.written import comparison_lines, comparison_text
    from qca.document import read_reading
    from qca.sizing.overrides import NO_OVERRIDES, parse_overrides
    from ui.cli.input_text import read_text

    stretches = _stretches(stents)
    overrides = NO_OVERRIDES
    if rules_file is not None:
        text, _ = read_text(rules_file, "rules file")
        overrides = parse_overrides(text, name=rules_file.name)
    found = make_comparison(
        read_reading(before),
        read_reading(after),
        read_reading(later) if later is not None else None,
        stents=stretches,
        overrides=overrides,
    )
    if out is not None:
        from qca.change.page import comparison_page
        from qca.whole_file import write_together

        files = {"comparison.json": comparison_text(found), "comparison.html": comparison_page(found)}
        for path in write_together(out, files):
            click.echo(f"wrote {path}", err=True)
    click.echo(comparison_text(found) if as_json else comparison_lines(found), nl=False)


def _stretches(stents: tuple[str, ...]) -> dict[str, Stretch]:
    """Split LIMB=FROM,TO options.

    Raises
    ------
    click.BadParameter
        If one is not of that form.
    """
    import math

    from qca.change.region import Stretch
    from qca.picks import LIMBS

    found: dict[str, Stretch] = {}
    for text in stents:
        limb, _, span = text.partition("=")
        try:
            start, end = (float(part) for part in span.split(","))
            if not (math.isfinite(start) and math.isfinite(end)) or limb not in LIMBS or limb in found:
                raise ValueError
            found[limb] = Stretch(start, end)
        except ValueError as error:
            msg = (
                f"{text!r} must be LIMB=FROM,TO: one of {', '.join(LIMBS)}, each once, and mm from the carina outwards."
            )
            raise click.BadParameter(msg, param_hint="--stent") from error
    return found
