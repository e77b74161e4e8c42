"""The README's accuracy section, written from a validation's results."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from qca.errors import InputError
from qca.validation.counts import difficulty_table, level_table, shares, speed_row
from qca.validation.document import Origin
from qca.validation.retina import PICK_SD_PX, REPEAT_LIMIT_PX, SiteResult
from qca.validation.run import Results
from qca.validation.strata import WALL, WALL_AS_ASSUMED, by_quantity, plain_part, split
from qca.validation.summary import summarise
from qca.validation.tables import NAMES, Table, number
from qca.validation.value import METHODS, Method, Quantity, Value

BEGIN, END = "<!-- accuracy:begin -->", "<!-- accuracy:end -->"

_SHOWN: tuple[Quantity, ...] = (
    "mld_mm",
    "mld_scale_apart_mm",
    "reference_mm",
    "reference_scale_apart_mm",
    "ds_percent",
    "lesion_length_mm",
    "angle_a_deg",
    "angle_b_deg",
    "angle_c_deg",
    "scale_percent",
)

_LEGEND = (
    '"Scale error apart" is the measured length in pixels times the true scale. "SD / bound": root mean square of the '
    "error over the information bound of the same phantom (Cramer-Rao; contrast, blur and bending unknown); 1 cannot "
    "be passed by an unbiased reading. The off-the-shelf pipeline (ridge filter, minimal path, full width at half "
    "depth, from scikit-image) gets the same frames and the same picks. The phantoms' catheter walls "
    "attenuate 0.8 to 1.2 times as much as the medium, which an image hardly tells: that is most of the scale's SD, "
    "and the last line leaves it out."
)


def accuracy_markdown(results: Results, origin: Origin, sites: Sequence[SiteResult] = ()) -> str:
    """Write the section, without its markers."""
    plain = plain_part(results)
    groups = {method: by_quantity(plain, method) for method in METHODS}
    head = ("", "bias", "SD", "coverage of 95 % intervals", "SD / bound", "off the shelf: bias", "SD")
    shown = [quantity for quantity in _SHOWN if quantity in groups["joint fit"]]
    rows = [
        _row("{}, {}".format(*NAMES[quantity]), quantity, {m: groups[m].get(quantity, []) for m in METHODS})
        for quantity in shown
    ]
    traits = {trait.case: trait for trait in results.traits}
    parts_by_wall = {m: split(groups[m].get("scale_percent", []), WALL, traits) for m in METHODS}
    as_assumed = {m: part.get(WALL_AS_ASSUMED, []) for m, part in parts_by_wall.items()}
    if as_assumed["joint fit"]:
        rows.append(_row("scale, %, catheter walls 0.93 to 1.07 of the medium", "scale_percent", as_assumed))
    count = len({value.case for value in plain})
    parts = [
        f"Measured by `{origin.command}` on {count} {origin.frames}; everything is repeated by the same command.",
        markdown(Table("", head, tuple(rows))),
        _LEGEND,
        markdown(shares(results)),
    ]
    for table in (level_table(results), difficulty_table(results)):
        if table is not None:
            parts += [f"**{table.title}.** {table.note}".strip(), markdown(table)]
    if sites:
        refused = sum(len(result.refused) for result in sites)
        clear, doubtful = (
            [sd for result in sites if bool(result.site.doubt) == doubt for sd in result.reference_sd_px().values()]
            for doubt in (False, True)
        )
        words = (
            f"Real vessels (the retina photograph of scikit-image, {len(sites)} sites, picks moved by "
            f"{PICK_SD_PX:g} px SD, quarter turns, mirror, noise): {refused} refusals; the reference diameters of "
            f"{_repeating(clear)}."
        )
        if doubtful:
            words += f" At sites that the picture itself makes doubtful: {_repeating(doubtful)}."
        parts.append(words)
    parts.append(speed_row(results))
    return "\n\n".join(part for part in parts if part) + "\n"


def _row(label: str, quantity: Quantity, values: Mapping[Method, Sequence[Value]]) -> tuple[str, ...]:
    decimals = NAMES[quantity][2]
    ours, theirs = summarise(values["joint fit"]), summarise(values["off the shelf"])
    return (
        label,
        number(ours.bias, decimals, sign=True),
        number(ours.sd, decimals),
        f"{ours.coverage:.1f} %",
        number(ours.efficiency, 2),
        number(theirs.bias, decimals, sign=True),
        number(theirs.sd, decimals),
    )


def _repeating(spread: Sequence[float]) -> str:
    within = sum(sd < REPEAT_LIMIT_PX for sd in spread)
    return (
        f"{within} of {len(spread)} limbs repeat within {REPEAT_LIMIT_PX:g} px SD, the worst within "
        f"{max(spread, default=math.nan):.2f} px"
    )


def markdown(table: Table) -> str:
    """Write a table in Markdown."""
    lines = ["| " + " | ".join(table.head) + " |", "|" + "---|" * len(table.head)]
    lines += ["| " + " | ".join(row) + " |" for row in table.rows]
    return "\n".join(lines)


def put_between_markers(page: str, section: str, name: str) -> str:
    """Replace what stands between the markers of the accuracy section.

    Raises
    ------
    InputError
        If the page has not one pair of markers.
    """
    if page.count(BEGIN) != 1 or page.count(END) != 1 or page.index(BEGIN) > page.index(END):
        msg = f"{name} must hold {BEGIN} and, further down, {END} once each: put them where the section belongs."
        raise InputError(msg, file=name)
    pattern = re.compile(re.escape(BEGIN) + ".*?" + re.escape(END), re.DOTALL)
    return pattern.sub(lambda _: f"{BEGIN}\n\n{section}\n{END}", page)


def write_section(page: Path, section: str) -> None:
    """Put the section into a page on disk, whole or not at all."""
    from qca.whole_file import write_whole

    try:
        text = page.read_text(encoding="utf-8")
    except OSError as error:
        msg = f"Cannot read {page} ({error.strerror}): check the name and the permissions."
        raise InputError(msg, file=page.name) from error
    write_whole(page, put_between_markers(text, section, page.name))
