"""The words and number formats of worksheets: the same in the terminal, on paper and in conflicts."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from calib.units import Mm
from qca.report.measured import Measured, probability_text
from qca.sizing.rules import Judgement

if TYPE_CHECKING:
    from qca.sizing.techniques import Weight

VERDICT_WORDS = {
    "fits": "fits",
    "borderline": "borderline",
    "does_not_fit": "does not fit",
    "cannot_tell": "cannot tell",
}
CRITERION_WORDS = {"fits": "yes", "borderline": "undecided", "does_not_fit": "no", "cannot_tell": "cannot tell"}
"""The same four answers where a rule is a criterion that is met or not."""

WEIGHT_WORDS: Mapping[Weight, str] = MappingProxyType(
    {"limit": "limit", "limit_if_said": "limit", "guidance": "guidance", "guidance_needed": "guidance"}
)
"""What a rule that does not hold does to its technique: a limit rules it out, guidance never does."""

LIMB_TITLES = {"proximal": "Proximal", "distal": "Distal", "side": "Side"}


def verdict_meanings(sure: float) -> dict[str, str]:
    """Say what each verdict on a technique means.

    Parameters
    ----------
    sure : float
        Probability from which an answer counts as certain.
    """
    return {
        "fits": f"each rule whose numbers are known holds (probability at least {100 * sure:g} %)",
        "borderline": "a rule is undecided, or guidance fails, which alone rules nothing out",
        "does_not_fit": f"a limit fails (probability at most {100 - 100 * sure:g} %)",
        "cannot_tell": "a limit, or guidance that the technique rests on, lacks a number",
    }


def number_text(value: float, sd: float, unit: str, decimals: int) -> str:
    """Write a number with its SD; a number that is exact has none: ``2.75 ± 0.05 mm``, ``65 ± 2°``, ``3``."""
    text = Measured(value, None if sd == 0 else sd, "°" if unit == "deg" else unit, decimals).text
    return text.replace(" °", "°")


def length_text(length: Mm, decimals: int = 2) -> str:
    """Write a length with its SD."""
    return number_text(length.value, length.sd, "mm", decimals)


def value_text(one: Judgement) -> str:
    """Write the quantity of a rule."""
    if not math.isfinite(one.value):
        return "not known"
    decimals = {"mm": 2, "deg": 0, "%": 0}.get(one.rule.unit, 2 if one.sd > 0 else 0)
    # The SD of a count that was sampled is not a number of its own: its probability says it.
    sd = 0.0 if math.isnan(one.sd) and one.verdict != "cannot_tell" else one.sd
    if sd == 0 and one.rule.unit == "mm":
        return f"{told_apart(one.value, decimals, one.threshold)} mm"
    return number_text(one.value, sd, one.rule.unit, decimals)


def outcome_text(one: Judgement, weight: Weight | None = None) -> str:
    """Say how a rule came out: what it asks, the quantity, the device's number, the probability that it holds.

    ``weight`` is what it weighs for a technique; None where it is not about one.
    """
    tag = f" ({WEIGHT_WORDS[weight]})" if weight else ""
    if one.verdict == "cannot_tell":
        return f"{one.rule.text}{tag}: cannot tell, {one.missing} not known"
    note = f"; {one.note}" if one.note else ""
    held = f"; held back: {one.held_back}" if one.held_back else ""
    return f"{asked_text(one)}{tag}: {value_text(one)}, probability {probability_text(one.probability)}{note}{held}"


def reason_texts(decisive: Sequence[tuple[Judgement, Weight]]) -> list[str]:
    """Say what makes a technique's verdict, and of each rule whether it is a limit or guidance.

    Rules that are held back for one reason share a sentence that gives the reason; those of them that would not hold
    are written out as well. Rules that cannot be told share a sentence: what they lack is listed once, beside it.
    """
    texts: list[str] = []
    held: dict[str, list[Weight]] = {}
    untold = [(one, weight) for one, weight in decisive if one.verdict == "cannot_tell"]
    for one, weight in decisive:
        if one.held_back:
            held.setdefault(one.held_back, []).append(weight)
    for one, weight in decisive:
        if one.verdict == "cannot_tell":
            continue
        if len(held.get(one.held_back, ())) <= 1:
            texts.append(outcome_text(one, weight))
        elif not one.holds:
            texts.append(outcome_text(replace(one, held_back=""), weight))
    texts += [f"{_counted(weights)} held back: {why}" for why, weights in held.items() if len(weights) > 1]
    if len(untold) == 1:
        one, weight = untold[0]
        texts.append(f"{one.rule.text} ({WEIGHT_WORDS[weight]}): cannot tell")
    elif untold:
        texts.append(f"{_counted(weight for _, weight in untold)} cannot tell")
    return texts


def _counted(weights: Iterable[Weight]) -> str:
    """Count rules by what they weigh: ``"3 rules (2 limits, 1 guidance)"``, ``"2 rules (guidance)"``."""
    counts = Counter(WEIGHT_WORDS[weight] for weight in weights)
    limits, total = counts["limit"], counts.total()
    word = "limit" if limits == 1 else "limits"
    if limits in (0, total):
        return f"{total} rules ({word if limits else 'guidance'})"
    return f"{total} rules ({limits} {word}, {total - limits} guidance)"


def asked_text(one: Judgement) -> str:
    """Say what a rule asks, with a device's number in millimetres where it rests on one."""
    rule = one.rule
    if not rule.per or not math.isfinite(one.threshold):
        return rule.text
    factor = "" if rule.threshold == 1.0 else f"{rule.threshold:g} \N{MULTIPLICATION SIGN} "
    threshold = told_apart(one.threshold, 2, one.value) if one.sd == 0 else f"{one.threshold:.2f}"
    return rule.statement.format(threshold=f"{threshold} {rule.unit} ({factor}{rule.per})")


def layers_text(layers: int) -> str:
    """Write a number of strut layers."""
    return f"{layers} strut layer{'' if layers == 1 else 's'}"


def told_apart(value: float, decimals: int, *limits: float) -> str:
    """Write a number with as many decimals as tell it from limits that it does not equal.

    A ratio of 0.9497 is not "0.950, outside 0.95 to 1.05".

    Parameters
    ----------
    value : float
        The number, finite.
    decimals : int
        Decimals where they suffice.
    *limits : float
        What it must not look like, without unit or in its unit.

    Returns
    -------
    str
        At most 9 decimals.
    """
    for more in range(decimals, 9):
        if all(limit == value or round(value, more) != round(limit, more) for limit in limits):
            return f"{value:.{more}f}"
    return f"{value:.9f}"
