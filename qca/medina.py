"""The Medina code from three percent stenoses."""

from __future__ import annotations

import math
from collections.abc import Sequence

from qca.reading import Medina


def medina_code(ds_percent: Sequence[float], ds_sd_percent: Sequence[float], threshold: float) -> Medina:
    """Medina digits of proximal, distal and side limb.

    A digit is 1 at ``threshold`` percent diameter stenosis or more (Medina A et al., Rev Esp Cardiol 2006;59:183;
    sources differ on the equals sign), ``?`` when the stenosis is NaN. The probability that it is 1 is that of a normal
    variable.

    Parameters
    ----------
    ds_percent, ds_sd_percent : sequence of float, length 3
        Percent diameter stenosis and SD, in the order proximal, distal, side.
    threshold : float
        Percent.

    Returns
    -------
    Medina
        Code, threshold, distances and probabilities.
    """
    digits = ["?" if math.isnan(d) else str(int(d >= threshold)) for d in ds_percent]
    distance = tuple(d - threshold for d in ds_percent)
    chance = tuple(_probability(d, s) for d, s in zip(distance, ds_sd_percent, strict=True))
    return Medina(",".join(digits), threshold, distance, chance)  # type: ignore[arg-type]


def _probability(distance: float, sd: float) -> float:
    if math.isnan(distance) or math.isnan(sd):
        return math.nan
    if sd <= 0:
        return float(distance >= 0)
    return 0.5 * (1 + math.erf(distance / sd / math.sqrt(2)))
