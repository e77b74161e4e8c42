"""The techniques: which rules each has to meet, what its verdict is, and the geometry it leaves behind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from qca.sizing.layout import StentSpan, StrutSegment, most_layers, strut_segments
from qca.sizing.rules import Judgement, Verdict
from qca.sizing.technique_rules import Attempt

Weight = Literal["limit", "limit_if_said", "guidance", "guidance_needed"]
"""``limit``: failing rules the technique out. ``limit_if_said``: the same, but an unsaid case fact does not stand in
the way. ``guidance``: failing makes it borderline, and not knowing leaves the question open. ``guidance_needed``:
failing makes it borderline, and without the number nothing can be told."""


@dataclass(frozen=True, slots=True)
class Technique:
    """One technique.

    Parameters
    ----------
    id, name, idea : str
        Its id, its name for people, and in one sentence what it does.
    rules : tuple of (str, Weight)
        The rules that apply to it.
    """

    id: str
    name: str
    idea: str
    rules: tuple[tuple[str, Weight], ...]


_STENT_IN_MAIN: tuple[tuple[str, Weight], ...] = (
    ("phase", "limit"),
    ("main_stent_ratio_high", "limit"),
    ("main_stent_ratio_low", "guidance"),
    ("main_reaches_proximal", "limit"),
    ("gap_distal", "guidance"),
    ("gap_proximal", "guidance"),
    ("proximal_length", "guidance"),
    ("kissing_ring_main", "guidance"),
    ("optimisation_within_main", "guidance"),
)
_UPFRONT: tuple[tuple[str, Weight], ...] = (
    ("side_access_first", "limit_if_said"),
    ("reason_for_two", "guidance_needed"),
)
_SIDE_STENT: tuple[tuple[str, Weight], ...] = (
    ("side_stent_ratio_high", "limit"),
    ("side_stent_ratio_low", "guidance"),
)
_CRUSH: tuple[tuple[str, Weight], ...] = (
    *_SIDE_STENT,
    ("side_reaches_side", "limit"),
    ("crush_angle", "guidance_needed"),
    ("crush_side_ratio", "guidance"),
    ("cell_opening", "guidance"),
)
_CULOTTE: tuple[tuple[str, Weight], ...] = (
    *_SIDE_STENT,
    ("side_reaches_proximal", "limit"),
    ("cell_opening", "limit"),
    ("second_cell_opening", "limit"),
    ("culotte_mismatch", "guidance"),
    ("culotte_angle", "guidance"),
    ("kissing_ring_side", "guidance"),
    ("optimisation_within_side", "guidance"),
)

_ALL = (
    Technique(
        "provisional",
        "Provisional",
        "One stent across the side branch; the side branch is treated afterwards only if it has to be.",
        (
            *_STENT_IN_MAIN,
            ("cell_opening", "guidance"),
            ("side_access_through", "guidance"),
            ("not_complex", "guidance"),
        ),
    ),
    Technique(
        "t",
        "T stenting",
        "A stent in the side branch that begins at its ostium, and one across it in the main vessel.",
        (
            *_STENT_IN_MAIN,
            *_UPFRONT,
            *_SIDE_STENT,
            ("side_reaches_side", "limit"),
            ("t_angle", "limit"),
            ("t_bare_length", "limit"),
            ("cell_opening", "guidance"),
        ),
    ),
    Technique(
        "t_and_protrusion",
        "T and protrusion",
        "After the main stent, a side stent through its cell that reaches a little into the main vessel.",
        (
            *_STENT_IN_MAIN,
            ("side_access_through", "guidance"),
            *_SIDE_STENT,
            ("side_reaches_side", "limit"),
            ("cell_opening", "limit"),
            ("protrusion_angle", "guidance_needed"),
            ("new_carina_length", "guidance_needed"),
        ),
    ),
    Technique(
        "mini_crush",
        "Mini-crush",
        "A side stent that reaches a little into the main vessel and is pressed flat by the main stent.",
        (*_STENT_IN_MAIN, *_UPFRONT, *_CRUSH),
    ),
    Technique(
        "double_kissing_crush",
        "Double-kissing crush",
        "As mini-crush, with the flattened end opened by a first kissing before the main stent goes in.",
        (*_STENT_IN_MAIN, *_UPFRONT, *_CRUSH),
    ),
    Technique(
        "culotte_classic",
        "Culotte, classic order",
        "First a stent into the more angulated daughter, then one through its cell into the other.",
        (*_STENT_IN_MAIN, *_UPFRONT, *_CULOTTE),
    ),
    Technique(
        "culotte_inverted",
        "Culotte, inverted order",
        "First the main stent, as in a provisional start, then one through its cell into the side branch.",
        (*_STENT_IN_MAIN, ("side_access_through", "guidance"), *_CULOTTE),
    ),
)

TECHNIQUES: Mapping[str, Technique] = MappingProxyType({technique.id: technique for technique in _ALL})
"""The techniques by id, in the order in which they are shown."""


@dataclass(frozen=True, slots=True)
class TechniqueAnswer:
    """A technique by the numbers.

    Parameters
    ----------
    technique : Technique
        Which.
    verdict : str
        Its worst answer: a limit that fails, then a limit that cannot be told, then anything undecided.
    because : tuple of str
        Ids of the rules that make the verdict; empty for ``fits``.
    open : tuple of str
        What nobody said or measured and that would sharpen the answer.
    rules : tuple of (Judgement, Weight)
        Every rule applied.
    attempt : Attempt
        With which devices.
    spans : tuple of StentSpan
        Stents as laid with those devices.
    struts : mapping
        Strut layers along each limb.
    """

    technique: Technique
    verdict: Verdict
    because: tuple[str, ...]
    open: tuple[str, ...]
    rules: tuple[tuple[Judgement, Weight], ...]
    attempt: Attempt
    spans: tuple[StentSpan, ...]
    struts: Mapping[str, tuple[StrutSegment, ...]]

    @property
    def layers(self) -> int:
        """Most strut layers on top of each other."""
        return most_layers(self.struts)

    @property
    def decisive(self) -> tuple[tuple[Judgement, Weight], ...]:
        """The rules that make the verdict."""
        return tuple((one, weight) for one, weight in self.rules if one.rule.id in self.because)


def answer(attempt: Attempt) -> TechniqueAnswer:
    """Apply all rules of a technique."""
    technique = TECHNIQUES[attempt.technique]
    judged = tuple((attempt.judge(rule_id), weight) for rule_id, weight in _rules_of(technique, attempt))
    spans = tuple(
        span.with_length(device.length_mm) if (device := attempt.device(span.role)) else span
        for span in attempt.kit.layout.stents
    )
    verdict, because = overall(judged)
    missing = tuple(dict.fromkeys(one.missing for one, _ in judged if one.verdict == "cannot_tell"))
    return TechniqueAnswer(technique, verdict, because, missing, judged, attempt, spans, strut_segments(spans))


def _rules_of(technique: Technique, attempt: Attempt) -> tuple[tuple[str, Weight], ...]:
    """List the rules that apply now: a T after a main stent is no upfront second stent, but goes through its struts."""
    if technique.id != "t" or attempt.facts.case.first_stent != "main":
        return technique.rules
    return (*(pair for pair in technique.rules if pair not in _UPFRONT), ("side_access_through", "guidance"))


def overall(judged: tuple[tuple[Judgement, Weight], ...]) -> tuple[Verdict, tuple[str, ...]]:
    """Join the rules' verdicts: the verdict of the technique and the ids of the rules that make it."""

    def ids(*pairs: tuple[str, tuple[Weight, ...]]) -> tuple[str, ...]:
        return tuple(
            one.rule.id for one, weight in judged for verdict, weights in pairs
            if one.verdict == verdict and weight in weights
        )  # fmt: skip

    limits: tuple[Weight, ...] = ("limit", "limit_if_said")
    failed = ids(("does_not_fit", limits))
    if failed:
        return "does_not_fit", failed
    guidance: tuple[Weight, ...] = ("guidance", "guidance_needed")
    unknown = ids(("cannot_tell", ("limit", "guidance_needed")))
    if unknown:
        return "cannot_tell", unknown
    undecided = ids(("borderline", (*limits, *guidance)), ("does_not_fit", guidance))
    if undecided:
        return "borderline", undecided
    return "fits", ()
