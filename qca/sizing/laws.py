"""Diameter laws of a bifurcation: mother from daughters, a missing daughter, and where each law holds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType

from calib.units import Mm
from qca.sizing.propagation import UNKNOWN, propagate

FINET_FACTOR = 0.678
"""Mother over the sum of the daughters (Finet 2008). The means printed there do not reproduce it: a mean of ratios is
not the ratio of the means."""

LAW_SCATTER = 0.14
"""Relative SD of true mothers around any diameter law: half the scatter of the area ratio in casts, 0.26 of 0.93 (Anat
Rec 1998;251:50-59)."""

FINET_SMALLEST_RATIO = 1.0 / FINET_FACTOR - 1.0
"""Below this daughter ratio (0.4749) the linear law makes the mother smaller than its larger daughter."""


@dataclass(frozen=True, slots=True)
class Law:
    """One law.

    Parameters
    ----------
    id, name, formula, source : str
        How it is called, written and cited.
    exponent : float or None
        P in ``Dp^P = D1^P + D2^P``; None for the linear law ``Dp = 0.678 (D1 + D2)``.
    lowest_ratio, highest_ratio : float
        Daughter ratios (smaller over larger) for which the law agreed with measurements (Huo 2012).
    """

    id: str
    name: str
    formula: str
    source: str
    exponent: float | None
    lowest_ratio: float
    highest_ratio: float


_COMPARISON = "validity: Huo Y et al., EuroIntervention 2012;7:1310-1316"

LAWS = MappingProxyType(
    {
        law.id: law
        for law in (
            Law(
                "murray",
                "Murray",
                "Dp^3 = D1^3 + D2^3",
                f"Murray CD, Proc Natl Acad Sci USA 1926;12:207-214; {_COMPARISON}",
                3.0,
                0.0,
                0.25,
            ),
            Law(
                "huo_kassab",
                "Huo-Kassab",
                "Dp^(7/3) = D1^(7/3) + D2^(7/3)",
                f"Huo Y, Kassab GS; exponent from memory; {_COMPARISON}",
                7.0 / 3.0,
                0.0,
                1.0,
            ),
            Law(
                "finet",
                "Finet",
                "Dp = 0.678 (D1 + D2)",
                f"Finet G et al., EuroIntervention 2008;3:490-498; {_COMPARISON}",
                None,
                0.75,
                1.0,
            ),
            Law("area", "area preservation", "Dp^2 = D1^2 + D2^2", _COMPARISON, 2.0, 0.0, 0.25),
        )
    }
)
"""The laws by id."""

DEFAULT_LAW = "huo_kassab"
"""The one law that agreed with measurements for every daughter ratio."""


@dataclass(frozen=True, slots=True)
class LawAnswer:
    """What a law says.

    Parameters
    ----------
    law : str
        Id of the law.
    diameter : Mm
        The diameter asked for; NaN when the law is refused here.
    concerns : tuple of str
        Why the answer is refused or stands outside the law's validity; empty when there is nothing to say.
    """

    law: str
    diameter: Mm
    concerns: tuple[str, ...]

    @property
    def refused(self) -> bool:
        """True when there is no answer."""
        return math.isnan(self.diameter.value)


def mother(law_id: str, first: Mm, second: Mm) -> LawAnswer:
    """Compute the mother's diameter from both daughters.

    Parameters
    ----------
    law_id : str
        Key of ``LAWS``.
    first, second : Mm
        Daughters, mm.

    Returns
    -------
    LawAnswer
        NaN when a daughter is unknown or not positive, or when the linear law would make the mother smaller than
        its larger daughter.
    """
    law = LAWS[law_id]
    if not (first.value > 0 and second.value > 0):
        return LawAnswer(law_id, UNKNOWN, ("a daughter's diameter is not known",))
    concerns = _validity(law, first.value, second.value)
    if law.exponent is None:
        if _ratio(first.value, second.value) < FINET_SMALLEST_RATIO:
            return LawAnswer(law_id, UNKNOWN, (_FINET_REFUSAL,))
        total = first + second
        return LawAnswer(law_id, total.times(FINET_FACTOR), concerns)
    p = law.exponent
    value = float((first.value**p + second.value**p) ** (1.0 / p))
    slopes = ((first.value / value) ** (p - 1.0), (second.value / value) ** (p - 1.0))
    return LawAnswer(law_id, propagate(value, zip(slopes, (first, second), strict=True)), concerns)


def missing_daughter(law_id: str, mother_diameter: Mm, daughter: Mm) -> LawAnswer:
    """Compute the other daughter from the mother and one daughter.

    Parameters
    ----------
    law_id : str
        Key of ``LAWS``.
    mother_diameter, daughter : Mm
        Known diameters, mm.

    Returns
    -------
    LawAnswer
        NaN when a diameter is unknown, or when the mother is not larger than the daughter: no law has an answer
        there.
    """
    law = LAWS[law_id]
    large, small = mother_diameter.value, daughter.value
    if not (large > 0 and small > 0):
        return LawAnswer(law_id, UNKNOWN, ("a diameter is not known",))
    if large <= small:
        text = f"the mother ({large:.2f} mm) is not larger than its daughter ({small:.2f} mm)"
        return LawAnswer(law_id, UNKNOWN, (text,))
    if law.exponent is None:
        value = large / FINET_FACTOR - small
        slopes = (1.0 / FINET_FACTOR, -1.0)
    else:
        p = law.exponent
        value = float((large**p - small**p) ** (1.0 / p))
        slopes = ((large / value) ** (p - 1.0), -((small / value) ** (p - 1.0)))
    answer = propagate(value, zip(slopes, (mother_diameter, daughter), strict=True))
    return LawAnswer(law_id, answer, _validity(law, small, value))


def flow_share(exponent: float, daughter: float, other: float) -> float:
    """Share of the mother's flow that a daughter of diameter ``daughter`` takes, ``D^P / (D1^P + D2^P)``."""
    return float(daughter**exponent / (daughter**exponent + other**exponent))


_FINET_REFUSAL = (
    f"daughter ratio under {FINET_SMALLEST_RATIO:.3f}: the linear law would make the mother smaller than its larger "
    "daughter"
)


def _ratio(first: float, second: float) -> float:
    return min(first, second) / max(first, second)


def _validity(law: Law, first: float, second: float) -> tuple[str, ...]:
    ratio = _ratio(first, second)
    if ratio > law.highest_ratio:
        return (f"daughter ratio {ratio:.2f} above {law.highest_ratio:g}, where this law agreed with measurements",)
    if ratio < law.lowest_ratio:
        return (f"daughter ratio {ratio:.2f} below {law.lowest_ratio:g}, where this law agreed with measurements",)
    return ()
