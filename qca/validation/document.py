"""The validation as JSON: statistics of each method and quantity, shares, and what was run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from qca import ALGORITHM_VERSION, CAUTION, __version__
from qca.validation.counts import difficulty_table, level_table, shares, speed_row
from qca.validation.retina import SiteResult
from qca.validation.run import Results
from qca.validation.strata import BREAKDOWNS, by_quantity, plain_part, split
from qca.validation.summary import summarise
from qca.validation.tables import Table
from qca.validation.value import METHODS

SCHEMA = "qca.validation/1"


@dataclass(frozen=True, slots=True)
class Origin:
    """What was run: the command that repeats it, the seed if frames were drawn, and what the frames are."""

    command: str
    seed: int | None
    frames: str


def validation_document(results: Results, origin: Origin, sites: Sequence[SiteResult] = ()) -> Mapping[str, Any]:
    """Build the document.

    Parameters
    ----------
    results : Results
        All values.
    origin : Origin
        What was run.
    sites : sequence of SiteResult
        Repeated readings of real vessels, if they were measured.

    Returns
    -------
    mapping
        JSON values; None where a number is not known.
    """
    traits = {trait.case: trait for trait in results.traits}
    plain = plain_part(results)
    statistics: dict[str, Any] = {}
    for method in METHODS:
        groups = by_quantity(plain, method)
        statistics[method] = {
            quantity: {
                "all": asdict(summarise(values)),
                **{
                    f"by_{breakdown.name}": {
                        label: asdict(summarise(part)) for label, part in split(values, breakdown, traits).items()
                    }
                    for breakdown in BREAKDOWNS
                },
            }
            for quantity, values in groups.items()
        }
    document = {
        "schema": SCHEMA,
        "software": {"version": __version__, "algorithm_version": ALGORITHM_VERSION},
        "caution": CAUTION,
        "origin": {"command": origin.command, "seed": origin.seed, "frames": origin.frames},
        "frames": len(results.traits),
        "statistics": statistics,
        "tables": [
            _table(table) for table in (shares(results), level_table(results), difficulty_table(results)) if table
        ],
        "speed": speed_row(results),
        "refused": [asdict(refusal) for refusal in results.refusals],
        "real_vessels": [
            {
                "site": result.site.name,
                "doubt": result.site.doubt,
                "points": [list(point) for point in result.site.points],
                "reference_px": {limb.name: limb.reference_px for limb in result.limbs},
                "reference_sd_px": result.reference_sd_px(),
                "repeats": len(result.repeats),
                "refused": list(result.refused),
            }
            for result in sites
        ],
    }
    return {key: _finite(value) for key, value in document.items()}


def _table(table: Table) -> dict[str, Any]:
    return {"title": table.title, "columns": list(table.head), "rows": [list(row) for row in table.rows]}


def _finite(value: Any) -> Any:  # noqa: ANN401 - JSON values
    """Replace NaN and infinities by None, as JSON wants it."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _finite(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(each) for each in value]
    return value
