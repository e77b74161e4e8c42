"""The agreement report: one HTML file with tables and figures, no network, readable in print."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from qca import ALGORITHM_VERSION, CAUTION, __version__
from qca.agreement.comparison import Agreement, Comparison
from qca.agreement.numbers import Statistic, statistics
from qca.agreement.plot import difference_plot
from qca.agreement.written import shown, statistic_text
from qca.report.template import caution_style, templates
from qca.report.unbroken import unbroken

_HERE = Path(__file__).parent

WORDS = {
    "complete": "frames with all reads",
    "missing": "frames without a value in one of the reads",
    "alone": "frames that only one of the reads has",
    "bias": "bias (second minus first)",
    "sd_of_differences": "SD of the differences",
    "lower_limit": "lower limit of agreement",
    "upper_limit": "upper limit of agreement",
    "slope_on_mean": "proportional bias: slope of the difference on the mean",
    "slope_on_mean_p": "p of no proportional bias",
    "scatter_on_mean_p": "p of a scatter that does not change with the mean",
    "pearson_r": "Pearson's r (association, not agreement)",
    "equal_pairs": "pairs with exactly equal values",
    "tool_sd_of_differences": "SD of the differences from the tool's uncertainty alone",
    "within_subject_sd": "within-subject SD",
    "repeatability_coefficient": "repeatability coefficient",
    "coefficient_of_variation": "coefficient of variation",
    "icc_1_1": "ICC(1,1)",
    "icc_2_1": "ICC(2,1)",
    "icc_3_1": "ICC(3,1)",
    "icc_1_k": "ICC(1,k)",
    "icc_2_k": "ICC(2,k)",
    "icc_3_k": "ICC(3,k)",
    "concordance": "Lin's concordance",
    "bias_from_means": "bias, from means of two passes",
    "lower_limit_from_means": "lower limit for single reads, from means of two passes",
    "upper_limit_from_means": "upper limit for single reads, from means of two passes",
    "kappa": "kappa",
    "observed_agreement": "share of readings that agree",
    "chance_agreement": "share expected by chance",
}
"""What each statistic is called in the report; the table agreement.csv uses the keys."""

SUMMARY = ("bias", "lower_limit", "upper_limit", "within_subject_sd", "icc_2_1", "concordance", "kappa")


TITLES = {
    "mld": "MLD",
    "reference": "reference diameter",
    "ds": "diameter stenosis",
    "lesion_length": "lesion length",
    "medina_digit": "Medina digit",
    "medina_code": "Medina code",
    "area_stenosis": "area stenosis",
    "mld_position": "place of the MLD",
    "lesion_start": "start of the lesion",
    "lesion_end": "end of the lesion",
    "length": "length measured",
    "law_reference": "reference by a diameter law",
}
"""What each quantity is called in the report; others keep their name."""

MAIN = ("mld", "reference", "ds", "lesion_length", "medina_digit", "medina_code")
"""Quantities that a reproducibility study reports; the others come after them."""


def main_first(agreement: Agreement) -> tuple[tuple[Comparison, ...], tuple[Comparison, ...]]:
    """Split the comparisons into those of the main quantities and the others; all are main where none is."""
    main = tuple(one for one in agreement.comparisons if one.quantity in MAIN)
    if not main:
        return agreement.comparisons, ()
    return main, tuple(one for one in agreement.comparisons if one.quantity not in MAIN)


def who(one: Comparison) -> str:
    """Name the reads of a comparison in few words."""
    readers = list(dict.fromkeys(read.reader for read in one.reads))
    passes = [str(read.passage) for read in one.reads]
    if one.kind == "intra-reader":
        return f"within {readers[0]}: passes {', '.join(passes)}"
    if set(passes) == {"1"}:
        return f"between {', '.join(readers)}"
    return f"between {', '.join(map(str, one.reads))}"


def kappa_shown(one: Comparison) -> str:
    """Write kappa, or why there is none."""
    if one.kappa is None:
        return ""
    alike = one.kappa.observed == 1 and not one.kappa.coefficient.known
    return "all in one category" if alike else shown(one.kappa.coefficient, "1")


def report_html(agreement: Agreement, *, source: str = "") -> str:
    """Render the report.

    Parameters
    ----------
    agreement : Agreement
        All comparisons.
    source : str
        Where the values came from, as codes: never a file's folder.

    Returns
    -------
    str
        A whole HTML document; all text from tables is escaped.
    """
    main, further = main_first(agreement)
    page = templates(_HERE, finalize=unbroken).get_template("report.html.j2")
    return page.render(
        caution=CAUTION,
        caution_css=caution_style(),
        version=__version__,
        algorithm=ALGORITHM_VERSION,
        source=source,
        factor=agreement.factor,
        notes=agreement.notes,
        overviews=[
            (title, [_summary(one, number) for number, one in enumerate(part, start=first)])
            for title, part, first in (
                ("Overview", main, 1),
                ("Overview of further quantities", further, 1 + len(main)),
            )
            if part
        ],
        summary_words=[WORDS[name] for name in SUMMARY],
        blocks=[_block(one) for one in (*main, *further)],
    )


def _summary(one: Comparison, number: int) -> dict[str, Any]:
    found = {each.name: each for each in statistics(one)}
    cells = [statistic_text(found[name]) if name in found else "" for name in SUMMARY]
    cells[SUMMARY.index("kappa")] = kappa_shown(one)
    return {"head": _head(one), "cells": cells, "n": len(one.items) - one.missing, "number": number}


def _head(one: Comparison) -> dict[str, str]:
    title = TITLES.get(one.quantity, one.quantity.replace("_", " "))
    unit = {"percent": "%", "deg": "degrees"}.get(one.unit, one.unit)
    names = {"kind": one.kind, "label": one.label, "who": who(one)}
    return {**names, "limb": one.limb, "quantity": title, "unit": unit}


def _block(one: Comparison) -> dict[str, Any]:
    from markupsafe import Markup

    rows = list(statistics(one))
    return {
        "head": _head(one),
        "figure": Markup(difference_plot(one)),  # noqa: S704 - the plot escapes every text in it
        "rows": [(WORDS[each.name], statistic_text(each), each.n) for each in rows],
        "notes": list(dict.fromkeys((*_remarks(one), *_notes(rows)))),
        "shares": one.kappa.shares if one.kappa else {},
        "tool": math.isfinite(one.tool_sd),
    }


def _notes(rows: Iterable[Statistic]) -> list[str]:
    return [f"{WORDS[each.name]}: {each.estimate.note}" for each in rows if each.estimate.note]


def _remarks(one: Comparison) -> list[str]:
    """Sentences that a reader of the figures needs, drawn from the figures."""
    said: list[str] = []
    d = one.differences
    if d is not None and d.bias.known:
        if d.slope.known and (d.slope.low > 0 or d.slope.high < 0):
            said.append("The difference changes with the size: one bias does not describe all sizes.")
        if d.spread_p < 0.05:
            said.append("The scatter changes with the size: one pair of limits does not describe all sizes.")
        if d.equal == d.n:
            said.append("All pairs are exactly equal; check that the second read was a read of its own.")
        elif d.equal > d.n / 2:
            said.append(f"{d.equal} of {d.n} pairs are exactly equal; check that these were read twice.")
        if one.tool_sd > 0 and d.sd.value > 0:
            said.append(
                f"The reads scatter {d.sd.value / one.tool_sd:.2f} times as much as the tool's stated uncertainty "
                "would make reads of independent frames scatter; two reads of one frame share the frame's noise, so a "
                "ratio under 1 is expected when readers add little."
            )
    if one.missing:
        said.append(f"{one.missing} frames are left out because a read has no value.")
    if one.alone and one.kind == "inter-reader":
        said.append(f"{one.alone} frames were read by one of the readers only and are left out.")
    return said
