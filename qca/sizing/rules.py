"""One rule: a quantity against a threshold, and how it is judged when the quantity is uncertain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from qca.sizing.probability import probability_below, same

Verdict = Literal["fits", "borderline", "does_not_fit", "cannot_tell"]
Direction = Literal["at_least", "above", "at_most", "below"]

SIGNS = {"at_least": "≥", "above": ">", "at_most": "≤", "below": "<"}

NO_SOURCE = "common practice, no source"
OWN_CHOICE = "own choice, no source"

NO_SD = "the uncertainty of the value (of the scale, where lengths are compared)"


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of the rule table.

    Parameters
    ----------
    id : str
        Its name in files.
    statement : str
        What holds when it holds; ``{threshold}`` stands for the threshold.
    threshold : float
        In ``unit``; or, when ``per`` is given, a factor on that device's number.
    unit : str
        ``mm``, ``deg``, ``%``, or empty for counts, grades and ratios.
    direction : str
        On which side of the threshold it holds.
    source : str
        Where the threshold comes from.
    per : str
        The number from the device table that the threshold multiplies, in words; empty for none.
    angular : bool
        True for an angle seen in a single view: the view's unknown tilt is added to its uncertainty, and inside the
        view band the answer is borderline whatever the SD.
    """

    id: str
    statement: str
    threshold: float
    unit: str
    direction: Direction
    source: str
    per: str = ""
    angular: bool = False

    @property
    def threshold_text(self) -> str:
        """The threshold with its unit, for people."""
        if self.per:
            return f"{self.threshold:.2f} \N{MULTIPLICATION SIGN} {self.per}"
        unit = {"": "", "deg": "°"}.get(self.unit, f" {self.unit}")
        return f"{self.threshold:g}{unit}"

    @property
    def text(self) -> str:
        """The statement with its threshold filled in."""
        return self.statement.format(threshold=self.threshold_text)


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a rule is applied to.

    Parameters
    ----------
    value, sd : float
        NaN when unknown.
    missing : str
        What would have to be known, in words; empty when all is there.
    basis : float
        The device's number that the threshold multiplies (1 for a plain threshold).
    probability : float or None
        Probability that the rule holds, where it was sampled; None: the closed form is used.
    subjects : tuple of str
        Limbs (or ``angles``) that the value rests on.
    note : str
        One remark for the reader.
    device, role : str
        Label and role of the device whose number is the basis.
    doubt : str
        Why the answer is no more than borderline, although the numbers are clear; empty for none.
    """

    value: float = math.nan
    sd: float = 0.0
    missing: str = ""
    basis: float = 1.0
    probability: float | None = None
    subjects: tuple[str, ...] = ()
    note: str = ""
    device: str = ""
    role: str = ""
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A rule applied to a quantity.

    ``margin`` is positive when the value lies on the side where the rule holds. ``holds`` compares the bare value.
    ``held_back`` says why the answer is no more than borderline although the probability is clear.
    """

    rule: Rule
    value: float
    sd: float
    threshold: float
    margin: float
    probability: float
    verdict: Verdict
    holds: bool | None
    missing: str
    note: str
    device: str
    held_back: str = ""
    role: str = ""


def judge(rule: Rule, quantity: Quantity, *, sure: float, band: float = 0.0, shaky: str = "") -> Judgement:
    """Apply a rule.

    Parameters
    ----------
    rule : Rule
        The rule.
    quantity : Quantity
        The quantity.
    sure : float
        Probability from which the answer counts as certain, 0.5 to 1.
    band : float
        Half width of the view band for angular rules, degrees.
    shaky : str
        Why the quantity must not be relied on; empty when it may. A shaky quantity is never more than borderline.

    Returns
    -------
    Judgement
        ``cannot_tell`` names what is missing.
    """
    threshold = rule.threshold * quantity.basis
    if quantity.missing or math.isnan(quantity.value) or math.isnan(threshold):
        missing = quantity.missing or "the value"
        return _unknown(rule, quantity, threshold, missing)
    upward = rule.direction in ("at_least", "above")
    margin = quantity.value - threshold if upward else threshold - quantity.value
    or_equal = rule.direction in ("at_least", "at_most")
    holds = or_equal if same(quantity.value, threshold) else margin > 0
    half_band = band if rule.angular else 0.0
    chance = quantity.probability
    if chance is None:
        # Below a threshold "or equal" is the complement of strictly above it.
        below = probability_below(
            quantity.value, quantity.sd, threshold, band=half_band, or_equal=rule.direction in ("at_most", "above")
        )
        chance = 1.0 - below if upward else below
    if math.isnan(chance):
        return _unknown(
            rule, quantity, threshold, "the uncertainty of the value (the scale's SD is not known)", holds=holds
        )
    inside_band = rule.angular and abs(margin) <= half_band
    verdict = decide(chance, sure)
    reasons = []
    if inside_band:
        reasons.append(f"within ±{half_band:g}° of the threshold, where one view cannot tell")
    reasons += [one for one in (quantity.doubt, shaky) if one]
    held_back = "; ".join(reasons) if verdict != "borderline" else ""
    if held_back:
        verdict = "borderline"
    return Judgement(
        rule,
        quantity.value,
        quantity.sd,
        threshold,
        margin,
        chance,
        verdict,
        holds,
        "",
        quantity.note,
        quantity.device,
        held_back,
        quantity.role,
    )


def decide(probability: float, sure: float) -> Verdict:
    """Turn the probability that a rule holds into a verdict."""
    if math.isnan(probability):
        return "cannot_tell"
    if probability >= sure:
        return "fits"
    return "does_not_fit" if probability <= 1.0 - sure else "borderline"


def _unknown(rule: Rule, quantity: Quantity, threshold: float, missing: str, *, holds: bool | None = None) -> Judgement:
    margin = math.nan
    if holds is not None:
        margin = abs(quantity.value - threshold) * (1.0 if holds else -1.0)
    return Judgement(
        rule,
        quantity.value,
        quantity.sd,
        threshold,
        margin,
        math.nan,
        "cannot_tell",
        holds,
        missing,
        quantity.note,
        quantity.device,
        role=quantity.role,
    )
