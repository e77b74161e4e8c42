"""A comparison of readings as one self-contained HTML page."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from qca import ALGORITHM_VERSION, CAUTION, __version__
from qca.change.comparison import Comparison, Difference, RegionChange
from qca.change.doubts import (
    doubt_of_angles,
    doubt_of_change,
    doubt_of_minimum,
    doubt_of_reference,
    doubt_of_stenosis,
)
from qca.change.figure import LOOKS, change_axes, change_figure, colour_of
from qca.change.region import Narrowest
from qca.change.remarks import told
from qca.change.times import NAMES
from qca.change.written import REGION_WORDS, change_text
from qca.report.measured import probability_text
from qca.report.palette import INKS
from qca.report.plain import plain
from qca.report.template import page_style, safe, templates
from qca.report.unbroken import unbroken
from qca.sizing.measured import MeasuredBifurcation
from qca.sizing.rules import Judgement
from qca.sizing.wording import length_text, number_text

_HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Time:
    """One limb at one time: how it is drawn, its numbers as text, and why they must not be relied on, if so."""

    name: str
    colour: str
    dash: str | None
    mld: str
    reference: str
    stenosis: str
    doubt: str


@dataclass(frozen=True, slots=True)
class Limb:
    """One limb of the page."""

    title: str
    colour: str
    figure: str
    times: tuple[Time, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A number as text, a few words under it, and why it must not be relied on, if so."""

    text: str
    note: str = ""
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One region of one limb in the tables."""

    limb: str
    region: str
    cells: tuple[Cell, ...]


def comparison_page(comparison: Comparison) -> str:
    """Write a comparison as a page.

    Parameters
    ----------
    comparison : Comparison
        Two or three readings.

    Returns
    -------
    str
        An HTML document without scripts, links to elsewhere or time stamps: the same readings give the same text. All
        text from files is escaped.
    """
    times = NAMES[: len(comparison.readings)]
    axes = change_axes(comparison)
    title = ", ".join(times).capitalize()
    page = templates(_HERE, finalize=unbroken).get_template("page.html.j2")
    return page.render(
        caution=CAUTION,
        css=page_style(),
        title=title,
        version=__version__,
        algorithm=ALGORITHM_VERSION,
        files=[
            (time, plain(one.frame_file), one.frame_index) for time, one in zip(times, comparison.readings, strict=True)
        ],
        alarms=told([one for one in comparison.remarks if one.untrusted]),
        notes=told([one for one in comparison.remarks if not one.untrusted]),
        worst=_worst(comparison),
        limbs=[
            Limb(
                ink.title,
                ink.colour,
                safe(change_figure(comparison, name, axes)),
                tuple(_time(time, one, name) for time, one in zip(times, comparison.readings, strict=True)),
            )
            for name, ink in INKS.items()
            if name in comparison.references
        ],
        stented=bool(comparison.stents),
        gains=[_gain_row(comparison, one) for one in comparison.regions],
        losses=[row for one in comparison.regions if (row := _loss_row(comparison, one))],
        references=[
            (INKS[limb].title, _change(one, doubt_of_reference(comparison, limb)))
            for limb, one in comparison.references.items()
        ],
        angles=[(name, _change(one, doubt_of_angles(comparison))) for name, one in comparison.angles.items()],
        readings=[_provenance(time, one) for time, one in zip(times, comparison.readings, strict=True)],
    )


def _worst(comparison: Comparison) -> tuple[str, Cell] | None:
    worst = comparison.worst
    if worst is None:
        return None
    time, last = ("later", worst.later) if worst.later else ("after", worst.after)
    stenosis = number_text(last.ds_percent, last.ds_sd_percent, "%", 0)
    doubt = plain(doubt_of_stenosis(comparison, worst, time))
    return f"{INKS[worst.limb].title}, {REGION_WORDS[worst.region]}", Cell(stenosis, doubt=doubt)


def _time(name: str, reading: MeasuredBifurcation, limb: str) -> Time:
    measured = reading.limbs[limb]
    doubts = [one.name for one in reading.untrusted(limb, "scale")]
    return Time(
        name,
        colour_of(name, limb),
        LOOKS[name].dash,
        length_text(measured.mld),
        length_text(measured.reference),
        number_text(measured.ds_percent, measured.ds_sd_percent, "%", 0),
        ", ".join(dict.fromkeys(plain(doubt).lower() for doubt in doubts)),
    )


def _gain_row(comparison: Comparison, one: RegionChange) -> Row:
    cells = (
        _minimum(comparison, one, "before", one.before),
        _minimum(comparison, one, "after", one.after),
        _change(one.acute_gain, doubt_of_change(comparison, one, "before", "after")),
        _stenosis(one.residual, doubt_of_stenosis(comparison, one, "after")),
    )
    return Row(INKS[one.limb].title, REGION_WORDS[one.region], cells)


def _loss_row(comparison: Comparison, one: RegionChange) -> Row | None:
    if not (one.later and one.late_loss and one.net_gain and one.loss_index and one.restenosis):
        return None
    cells = (
        _minimum(comparison, one, "later", one.later),
        _change(one.late_loss, doubt_of_change(comparison, one, "after", "later")),
        _change(one.net_gain, doubt_of_change(comparison, one, "before", "later")),
        _change(one.loss_index, doubt_of_change(comparison, one, "before", "after", "later")),
        _stenosis(one.restenosis, doubt_of_stenosis(comparison, one, "later")),
    )
    return Row(INKS[one.limb].title, REGION_WORDS[one.region], cells)


def _minimum(comparison: Comparison, one: RegionChange, time: str, found: Narrowest) -> Cell:
    """Write the smallest diameter of a region; one that is a bare minimum of the profile says so."""
    if not math.isfinite(found.mld.value):
        return Cell("not known")
    note = "" if found.corrected else "bare minimum of the profile"
    return Cell(length_text(found.mld), note, plain(doubt_of_minimum(comparison, one, time)))


def _change(one: Difference, doubt: str) -> Cell:
    """Write a change; its star does not go to a line of its own."""
    text = change_text(one).replace(" *", "\N{NO-BREAK SPACE}*")
    return Cell(text, doubt=plain(doubt) if math.isfinite(one.value) else "")


def _stenosis(one: Judgement, doubt: str) -> Cell:
    """Write a stenosis with what its rule asks and how likely that is."""
    if one.verdict == "cannot_tell":
        return Cell("not known")
    sign = "under" if one.rule.direction == "below" else "from"
    note = f"{sign} {one.rule.threshold_text}: probability {probability_text(one.probability)}"
    return Cell(number_text(one.value, one.sd, "%", 0), note, plain(doubt))


def _provenance(time: str, one: MeasuredBifurcation) -> tuple[str, list[tuple[str, str]]]:
    relative = 100.0 * one.scale_relative_sd
    sd = f"SD {relative:.1f} %" if math.isfinite(relative) else "SD not known"
    return time.capitalize(), [
        ("Frame", f"{plain(one.frame_file)}, frame {one.frame_index}"),
        ("SHA-256", plain(one.frame_sha256)),
        ("Scale", f"{one.scale_mm_per_px:.4f} mm per px, {sd} ({plain(one.scale_source)})"),
        ("Medina", plain(one.medina_code) or "not known"),
    ]
