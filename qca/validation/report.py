"""validation.html: one self-contained page with every table and figure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from qca import ALGORITHM_VERSION, CAUTION, __version__
from qca.report.template import caution_style, safe, templates
from qca.validation.counts import difficulty_table, level_table, shares, speed_row
from qca.validation.document import Origin
from qca.validation.plot import coverage_figure, error_figure, published_figure
from qca.validation.published import PUBLISHED, PUBLISHED_SLOPE, PUBLISHED_SLOPE_SOURCE
from qca.validation.retina import PICK_SD_PX, Image, SiteResult
from qca.validation.retina_figure import law_figure, overlay_figure
from qca.validation.run import Results
from qca.validation.strata import by_quantity, plain_part
from qca.validation.summary import summarise
from qca.validation.tables import NAMES, Table, breakdown_tables, number, overview
from qca.validation.value import METHODS, Method, Quantity, Value

_HERE = Path(__file__).parent

_FIGURES: tuple[tuple[Quantity, float], ...] = (
    ("mld_mm", 0.6),
    ("reference_mm", 0.6),
    ("ds_percent", 25.0),
    ("lesion_length_mm", 4.0),
    ("angle_b_deg", 30.0),
    ("scale_percent", 15.0),
)
"""Quantities with a section of their own, and half the height of their error axis."""

_BROKEN_DOWN: tuple[Quantity, ...] = (
    "mld_scale_apart_mm",
    "reference_scale_apart_mm",
    "ds_percent",
    "lesion_length_mm",
    "angle_b_deg",
    "scale_percent",
)

_APART: dict[Quantity, Quantity] = {"mld_mm": "mld_scale_apart_mm", "reference_mm": "reference_scale_apart_mm"}

OVERLAYS = ("upper right fork", "right fork", "lower right confluence", "upper left, thick branch up")
"""Sites that are shown as pictures."""


def validation_html(
    results: Results, origin: Origin, sites: Sequence[SiteResult] = (), photograph: Image | None = None
) -> str:
    """Render the page.

    Parameters
    ----------
    results : Results
        All values.
    origin : Origin
        What was run.
    sites : sequence of SiteResult
        Real vessels, if they were measured.
    photograph : ndarray or None
        Their picture.

    Returns
    -------
    str
        A whole HTML document that needs no network; all text is escaped.
    """
    plain = plain_part(results)
    groups = {method: by_quantity(plain, method) for method in METHODS}
    curves: list[tuple[str, Sequence[Value]]] = [
        (NAMES[quantity][0], groups["joint fit"][quantity])
        for quantity in ("mld_mm", "reference_mm", "ds_percent", "scale_percent")
        if quantity in groups["joint fit"]
    ]
    overlays = [
        (safe(overlay_figure(result, photograph)), result.site.name)
        for result in sites
        if result.limbs and result.site.name in OVERLAYS
        if photograph is not None
    ]
    page = templates(_HERE).get_template("report.html.j2")
    return page.render(
        caution=CAUTION,
        caution_css=caution_style(),
        version=__version__,
        algorithm=ALGORITHM_VERSION,
        origin=origin,
        count=len({trait.case for trait in results.traits}),
        speed=speed_row(results),
        overview=overview(plain),
        special=[table for table in (shares(results), level_table(results), difficulty_table(results)) if table],
        refused=results.refusals,
        blocks=[
            _block(results, groups, quantity, half) for quantity, half in _FIGURES if quantity in groups["joint fit"]
        ],
        coverage=safe(coverage_figure(curves)) if curves else "",
        published=_published_table(),
        sites=sites,
        site_table=_site_table(sites),
        overlays=overlays,
        laws=safe(law_figure(sites)) if sites else "",
        pick_sd=PICK_SD_PX,
    )


def _block(
    results: Results,
    groups: Mapping[Method, Mapping[Quantity, list[Value]]],
    quantity: Quantity,
    half: float,
) -> dict[str, Any]:
    name, unit, _ = NAMES[quantity]
    figures = []
    for method in METHODS:
        values = groups[method].get(quantity, [])
        if len(values) > 2:
            figures.append((error_figure(values, name, unit, half=half), f"Error against truth, {method}."))
    ours = groups["joint fit"].get(quantity, [])
    if len(ours) > 2 and quantity != "scale_percent":
        caption = "Difference against mean (Bland JM, Altman DG, Lancet 1986;1:307), joint fit."
        figures.append((error_figure(ours, name, unit, half=half, means=True), caption))
    beside = published_figure(
        quantity, name, unit, [(method, summarise(groups[method].get(quantity, []))) for method in METHODS]
    )
    if beside:
        figures.append(
            (beside, "Bias (block) and 95 % limits (line); published ones below ours, sources in the table.")
        )
    shown = _APART.get(quantity, quantity)
    tables = breakdown_tables(results, shown) if shown in _BROKEN_DOWN else ()
    title = name if shown == quantity else f"{name}; tables with the scale's error taken off"
    return {
        "name": title,
        "figures": [(safe(svg), caption) for svg, caption in figures],
        "tables": tables,
    }


def _published_table() -> Table:
    rows = []
    for row in PUBLISHED:
        name, unit, decimals = NAMES[row.quantity]

        def text(pair: tuple[float, float], decimals: int = decimals, *, sign: bool = False) -> str:
            low, high = (number(value, decimals, sign=sign) for value in pair)
            return low if low == high else f"{low} to {high}"

        rows.append((f"{name}, {unit}: {row.what}", text(row.bias, sign=True), text(row.sd), row.source))
    low, high = PUBLISHED_SLOPE
    rows.append(("MLD: slope of measured on true, ten systems", f"{low:g} to {high:g}", "", PUBLISHED_SLOPE_SOURCE))
    return Table("Bias and precision", ("", "bias", "SD", "source"), tuple(rows))


def _site_table(sites: Sequence[SiteResult]) -> Table:
    rows = []
    for result in sites:
        spread = result.reference_sd_px()
        cells = [f"{limb.reference_px:.1f} ± {limb.reference_sd_px:.1f}" for limb in result.limbs]
        sds = [number(sd, 2) for sd in spread.values()]
        rows.append(
            (
                f"{result.site.name} ({result.site.doubt})" if result.site.doubt else result.site.name,
                ", ".join(cells) or "refused",
                ", ".join(sds),
                str(len(result.repeats)),
                str(len(result.refused)),
            )
        )
    head = (
        "site (proximal, distal, side; or segment)",
        "reference diameters, px",
        "SD over repeats, px",
        "repeats",
        "refused",
    )
    return Table("Junctions and segments", head, tuple(rows))
