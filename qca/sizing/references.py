"""The three reference diameters against the diameter laws, and a reference derived where a limb has none."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from calib.units import Mm
from qca.sizing.laws import DEFAULT_LAW, FINET_FACTOR, LAWS, LawAnswer, missing_daughter, mother
from qca.sizing.measured import MeasuredBifurcation, MeasuredLimb

_CONTRADICTION_SD = 1.96
"""A law is contradicted when the mother is further from it than this many SDs (measurement and biology together)."""

_FEWEST_KNOWN = 2


@dataclass(frozen=True, slots=True)
class LawCheck:
    """The measured proximal reference against one law.

    Parameters
    ----------
    law : str
        Id.
    predicted : Mm
        Proximal reference that the law makes of the two daughters.
    difference : Mm
        Measured minus predicted.
    deviation_sd : float
        Difference over the SD of measurement and biological scatter together.
    verdict : str
        ``"agrees"``, ``"contradicts"``, ``"refused"`` (the law has no answer here) or ``"cannot_tell"``.
    concerns : tuple of str
        Where the law stands outside its validity.
    """

    law: str
    predicted: Mm
    difference: Mm
    deviation_sd: float
    verdict: Literal["agrees", "contradicts", "refused", "cannot_tell"]
    concerns: tuple[str, ...]


def law_checks(measured: MeasuredBifurcation, scatter: float) -> tuple[LawCheck, ...]:
    """Compare the measured proximal reference with what each law makes of the daughters.

    Parameters
    ----------
    measured : MeasuredBifurcation
        The bifurcation.
    scatter : float
        Relative SD of true mothers around a law.
    """
    return tuple(_check(mother(law, measured.distal.reference, measured.side.reference), measured, scatter)
                 for law in LAWS)  # fmt: skip


def contradiction(measured: MeasuredBifurcation, checks: Iterable[LawCheck]) -> str:
    """Say why the three references cannot all be right; empty when a law can live with them."""
    known = [check for check in checks if check.verdict in ("agrees", "contradicts")]
    proximal = measured.proximal.reference
    for daughter in (measured.distal, measured.side):
        excess = daughter.reference - proximal
        if excess.value > 0 and not excess.value <= _CONTRADICTION_SD * excess.sd:
            return (
                f"the proximal RVD ({proximal.value:.2f} mm) is smaller than the {daughter.name} one "
                f"({daughter.reference.value:.2f} mm), which no diameter law allows"
            )
    if known and all(check.verdict == "contradicts" for check in known):
        return (
            f"the proximal RVD ({proximal.value:.2f} mm) contradicts every diameter law "
            f"({min(c.predicted.value for c in known):.2f} to {max(c.predicted.value for c in known):.2f} mm)"
        )
    return ""


def law_reference(measured: MeasuredBifurcation, limb: str, scatter: float, law: str = DEFAULT_LAW) -> LawAnswer:
    """Compute one limb's reference from the other two limbs.

    Parameters
    ----------
    measured : MeasuredBifurcation
        The bifurcation.
    limb : str
        The limb asked for.
    scatter : float
        Relative SD of true mothers around a law.
    law : str
        Which law.

    Returns
    -------
    LawAnswer
        The SD holds the two references' SDs, the scatter of true mothers around a law (carried to a daughter by the
        law's slope), and the disagreement of the laws, taken as equally likely over their range (range / sqrt 12).
    """
    answer = _one_law(measured, limb, law)
    if answer.refused:
        return answer
    values = [other.diameter.value for other in (_one_law(measured, limb, name) for name in LAWS) if not other.refused]
    spread = (max(values) - min(values)) / math.sqrt(12.0)
    biology = scatter * _by_mother(measured, limb, answer.diameter.value, law)
    diameter = dataclasses.replace(answer.diameter, sd_random=math.hypot(answer.diameter.sd_random, spread, biology))
    return dataclasses.replace(answer, diameter=diameter)


def with_derived_references(measured: MeasuredBifurcation, limbs: Iterable[str], scatter: float) -> MeasuredBifurcation:
    """Replace the reference of limbs without a healthy part by the law's, and their stenosis with it.

    Parameters
    ----------
    measured : MeasuredBifurcation
        The bifurcation.
    limbs : iterable of str
        Limbs to replace; a limb whose reference is unknown is always replaced where the law has an answer.
    scatter : float
        Relative SD of true mothers around a law.
    """
    wanted = {*limbs, *(limb.name for limb in measured.limbs.values() if math.isnan(limb.reference.value))}
    if len(measured.limbs) - len(wanted) < _FEWEST_KNOWN:
        return measured
    replaced = {
        name: _derived(measured, limb, scatter) if name in wanted else limb for name, limb in measured.limbs.items()
    }
    return dataclasses.replace(measured, limbs=MappingProxyType(replaced))


def _derived(measured: MeasuredBifurcation, limb: MeasuredLimb, scatter: float) -> MeasuredLimb:
    answer = law_reference(measured, limb.name, scatter)
    if answer.refused:
        return limb
    ratio, ratio_sd = limb.mld.ratio(answer.diameter)
    return dataclasses.replace(
        limb,
        reference=answer.diameter,
        reference_source=f"{LAWS[answer.law].name} law from the other two limbs",
        derived=True,
        ds_percent=100.0 * (1.0 - ratio),
        ds_sd_percent=100.0 * ratio_sd,
    )


def _by_mother(measured: MeasuredBifurcation, limb: str, value: float, law: str) -> float:
    """Change of a limb's law diameter when the mother is off by her own size: her diameter times the law's slope."""
    if limb == "proximal":
        return value
    large = measured.proximal.reference.value
    exponent = LAWS[law].exponent
    slope = 1.0 / FINET_FACTOR if exponent is None else (large / value) ** (exponent - 1.0)
    return float(slope * large)


def _one_law(measured: MeasuredBifurcation, limb: str, law: str) -> LawAnswer:
    if limb == "proximal":
        return mother(law, measured.distal.reference, measured.side.reference)
    other = measured.side if limb == "distal" else measured.distal
    return missing_daughter(law, measured.proximal.reference, other.reference)


def _check(answer: LawAnswer, measured: MeasuredBifurcation, scatter: float) -> LawCheck:
    difference = measured.proximal.reference - answer.diameter
    if answer.refused or math.isnan(difference.value):
        verdict: Literal["refused", "cannot_tell"] = "refused" if answer.refused else "cannot_tell"
        return LawCheck(answer.law, answer.diameter, difference, math.nan, verdict, answer.concerns)
    random = difference.sd if math.isfinite(difference.sd) else 0.0
    deviation = difference.value / math.hypot(random, scatter * answer.diameter.value)
    agrees = abs(deviation) <= _CONTRADICTION_SD
    return LawCheck(
        answer.law, answer.diameter, difference, deviation, "agrees" if agrees else "contradicts", answer.concerns
    )
