"""A reading as one self-contained HTML file that works from disk and prints on A4."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from qca import CAUTION
from qca.report import palette
from qca.report.angle_figure import angle_figure
from qca.report.catheter_figure import catheter_figure
from qca.report.diameter_figure import common_axes, diameter_figure
from qca.report.digits import digits
from qca.report.frame_scene import frame_scene
from qca.report.limb_angles import limb_angles
from qca.report.next_steps import next_steps
from qca.report.plain import plain
from qca.report.provenance import check_same_frame, fit_rows, frame_rows, pick_rows, setting_rows, version_rows
from qca.report.quantities import QUANTITIES, Quantity, in_millimetres, meanings
from qca.report.remarks import Remark, doubts, remarks, touching
from qca.report.scale_words import NO_SCALE, NO_SCALE_ADVICE, scale_rows, scale_text
from qca.report.scene_svg import scene_svg
from qca.report.template import page_style, safe, templates

if TYPE_CHECKING:
    from qca.frames.frame import Frame
    from qca.reading import LimbReading, Reading
    from qca.report.measured import Measured
    from qca.sizing.worksheet import Worksheet

_HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Cell:
    """One number of the table: the number, its field in the reading, and the remarks that make it unreliable."""

    limb: str
    field: str
    number: Measured
    doubts: tuple[Remark, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """One limb: its name, ink, whether it was edited, what its reference rests on, its figure and its main numbers."""

    name: str
    ink: palette.Ink
    edited: bool
    reference_source: str
    figure: str
    cells: dict[str, Cell]


def report_html(reading: Reading, frame: Frame, worksheet: Worksheet | None = None) -> str:
    """Write the report of a reading.

    Parameters
    ----------
    reading : Reading
        The reading.
    frame : Frame
        The frame that it was measured on.
    worksheet : Worksheet or None
        Sizing rules applied to the reading; adds their section.

    Returns
    -------
    str
        An HTML document without scripts, links to elsewhere or time stamps: the same inputs give the same text. Each
        number stands in a ``data`` element with its full precision and the name of its field.

    Raises
    ------
    ValueError
        If ``frame`` is not the reading's frame.
    """
    check_same_frame(reading, frame)
    found = remarks(reading)
    in_mm = in_millimetres(reading)
    return (
        templates(_HERE)
        .get_template("page.html.j2")
        .render(
            caution=CAUTION,
            file=plain(reading.frame.file),
            index=reading.frame.index,
            sha256=plain(reading.frame.sha256),
            is_segment="segment" in reading.limbs,
            wires=len(reading.wires),
            unit="mm" if in_mm else "px",
            in_mm=in_mm,
            no_scale=NO_SCALE,
            no_scale_advice=NO_SCALE_ADVICE,
            remarks=found,
            steps=next_steps(reading),
            columns=_columns(reading, found, in_mm=in_mm),
            quantities=QUANTITIES,
            meanings=meanings(),
            frame_figure=safe(scene_svg(frame_scene(reading, frame, found), "The measured vessel on the frame")),
            catheter_figure=safe(catheter_figure(reading, frame)),
            angle_figure=safe(angle_figure(reading, frame.pixel_aspect)),
            angles=limb_angles(reading),
            angle_doubts=touching(found, "angles"),
            medina=reading.medina,
            medina_code=plain(reading.medina.code) if reading.medina else "",
            medina_doubts=touching(found, "medina", *reading.limbs),
            digits=digits(reading),
            digit_doubts={row.limb: touching(found, row.limb, "medina") for row in digits(reading)},
            threshold_figure=safe(_threshold(reading)),
            scale=reading.scale,
            scale_text=scale_text(reading),
            scale_rows=scale_rows(reading),
            scale_doubts=touching(found, "scale"),
            tables=_provenance(reading, frame),
            setting_rows=setting_rows(reading),
            worksheet=safe(_worksheet(worksheet)),
            css=page_style(),
            settings=reading.settings,
        )
    )


def _threshold(reading: Reading) -> str:
    from qca.report.threshold_figure import threshold_figure

    return threshold_figure(reading)


def _worksheet(worksheet: Worksheet | None) -> str:
    if worksheet is None:
        return ""
    from qca.sizing.html import worksheet_section

    return worksheet_section(worksheet)


def _columns(reading: Reading, found: tuple[Remark, ...], *, in_mm: bool) -> list[Column]:
    axes = common_axes(reading)
    return [
        Column(
            name=name,
            ink=palette.INKS[name],
            edited=limb.edited,
            reference_source=plain(limb.reference_source),
            figure=safe(diameter_figure(reading, name, axes, found)),
            cells={quantity.key: _cell(quantity, name, limb, found, in_mm=in_mm) for quantity in QUANTITIES},
        )
        for name, limb in reading.limbs.items()
    ]


def _cell(quantity: Quantity, name: str, limb: LimbReading, found: tuple[Remark, ...], *, in_mm: bool) -> Cell:
    number = quantity.of(limb, in_mm=in_mm)
    return Cell(
        limb=name,
        field=quantity.field(in_mm=in_mm),
        number=number,
        doubts=doubts(found, quantity, name, in_mm=in_mm and not number.instead),
    )


def _provenance(reading: Reading, frame: Frame) -> list[tuple[str, list[tuple[str, str]]]]:
    tables = [
        ("Frame", frame_rows(reading, frame)),
        ("Picks: what a person decided", pick_rows(reading.picks)),
        ("Fit", fit_rows(reading)),
        ("Versions", version_rows()),
    ]
    return [(title, rows) for title, rows in tables if rows]
