"""The ordered steps of each technique, with sizes, wires, what must be true before going on and what to measure after.

A step describes; it does not command. Which wire lies where, and when a limb is without a wire, stands in every step.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType

from qca.sizing.needs import ROLES
from qca.sizing.script import JAILED, OUT, Script, Step, limb_name, mm
from qca.sizing.technique_rules import Attempt
from qca.sizing.wording import number_text


def steps(attempt: Attempt) -> tuple[Step, ...]:
    """List the steps of a technique."""
    script = Script(attempt)
    _SCRIPTS[attempt.technique](script)
    return script.finished()


def _provisional(script: Script) -> None:
    script.wire_and_prepare()
    script.main_stent(side_after=JAILED)
    script.optimise("main_stent")
    rules = script.attempt.facts.rules
    flow, stenosis = rules["jailed_side_flow"].threshold, rules["jailed_side_stenosis"].threshold
    script.add(
        "Look at the side branch. It is left alone unless its flow is below grade "
        f"{flow:g} or it is narrowed by at least {stenosis:g} %.",
        check="If it is left alone: draw the jailed wire back with the guide held, then measure. A narrowed jailed "
        "ostium is not by itself ischaemia: its stenosis does not tell the flow.",
        measure="Side branch stenosis against its own RVD, flow grade.",
    )
    script.rewire("side", "main stent", then=" Only if it is to be treated.")
    script.open_cell("side")
    script.kiss()
    script.optimise("main_stent", final=True)


def _t(script: Script) -> None:
    bare = script.attempt.judge("t_bare_length")
    length = number_text(bare.value, bare.sd, "mm", 1) if math.isfinite(bare.value) else "a length that is not known"
    reach = mm(script.span("side_stent").daughter.value)
    flush = (
        f"Its proximal edge is flush with the main vessel. At this angle {length} of the ostium stays bare, on the "
        f"wall {_shallow_wall(script)}."
    )
    script.wire_and_prepare()
    if script.plan.stents[0].role == "main_stent":
        script.main_stent(side_after=JAILED)
        script.optimise("main_stent")
        script.rewire("side", "main stent")
        script.open_cell("side")
        script.add(
            f"Side stent through the cell, from the ostium {reach} into the side branch, nothing in the main vessel; "
            "an uninflated balloon waits in the main vessel.",
            "side_stent",
            "kissing_main_balloon",
            check=flush,
            measure="Side branch ostium in two views.",
            phase="after_second_stent",
        )
    else:
        script.add(
            f"Side stent from the ostium {reach} into the side branch, nothing in the main vessel.",
            "side_stent",
            check=flush,
            measure="Side branch ostium in two views.",
            phase="after_first_stent",
        )
        script.add("Draw the side wire back.", check="The main wire lies outside the side stent.", side=OUT)
        script.main_stent(side_after=OUT, again=True)
        script.optimise("main_stent")
        script.rewire("side", "main stent")
        script.open_cell("side")
    script.kiss()
    script.optimise("main_stent", final=True)


def _shallow_wall(script: Script) -> str:
    """Name the wall on which the side branch begins first: beyond 90 degrees it is the carina's."""
    angle, _ = script.attempt.facts.measured.angles_deg["B"]
    return "at the carina" if angle > _RIGHT_ANGLE_DEG else "away from the carina"


def _t_and_protrusion(script: Script) -> None:
    carina = script.attempt.judge("new_carina_length")
    length = number_text(carina.value, carina.sd, "mm", 1) if math.isfinite(carina.value) else "a length not known"
    script.wire_and_prepare()
    script.main_stent(side_after=JAILED)
    script.optimise("main_stent")
    script.rewire("side", "main stent")
    script.open_cell("side")
    span = script.span("side_stent")
    script.add(
        f"Side stent through the cell, {mm(span.daughter.value)} into the side branch, reaching just far enough back "
        f"to cover the ostium's wall {_shallow_wall(script)}; an uninflated balloon waits in the main vessel.",
        "side_stent",
        "kissing_main_balloon",
        check=f"The new carina stands {length} into the main vessel and not more.",
        measure="Length of the new carina, in a view along the main vessel.",
        phase="after_second_stent",
    )
    script.kiss("Kissing with the side balloon, or the side stent's own, drawn back a little")
    script.optimise("main_stent", final=True, away="its distal shoulder proximal to the new carina")


def _crush(script: Script, *, first_kissing: bool) -> None:
    script.wire_and_prepare()
    span = script.span("side_stent")
    flat = span.proximal.value - span.proximal_from_mm
    script.add(
        f"Side stent {mm(span.daughter.value)} into the side branch, its end {mm(flat)} proximal to the mouth in the "
        "main vessel; a balloon waits in the main vessel.",
        "side_stent",
        check="The stent's proximal end stands in the main vessel as far as planned, all around the ostium.",
        measure="Side branch, distal stent edge.",
        phase="after_first_stent",
    )
    script.add("Draw side balloon and side wire back.", check="No dissection at the distal edge.", side=OUT)
    script.add(
        "Press the protruding end flat with the balloon in the main vessel.",
        "kissing_main_balloon",
        check="The balloon opens fully; main vessel free.",
    )
    if first_kissing:
        script.rewire("side", "flattened stent", layers=2, cell=_AWAY_FROM_CARINA, then=" First time.")
        script.kiss("First kissing")
        script.add("Draw the side wire back.", check="Ostium of the side branch open.", side=OUT)
    script.main_stent(side_after=OUT, again=True)
    script.optimise("main_stent")
    if first_kissing:
        then = " Second time; the flattened layers were opened before."
        script.rewire("side", "main stent", cell=_AWAY_FROM_CARINA, then=then)
    else:
        script.rewire("side", "main stent and the flattened stent", layers=3, cell=_AWAY_FROM_CARINA)
    script.open_cell("side")
    script.kiss("Second kissing" if first_kissing else "Kissing")
    script.optimise("main_stent", final=True)


def _culotte_classic(script: Script) -> None:
    plan = script.plan
    first_role = plan.stents[0].role
    first, second = ("side", "distal") if first_role == "side_stent" else ("distal", "side")
    chance = plan.first_limb_probability
    sure = f"{100 * max(chance, 1 - chance):.0f} %" if math.isfinite(chance) else "not known: angles A and C missing"
    first_name = ROLES[first_role][1]
    second_role = plan.stents[1].role
    script.wire_and_prepare()
    span = script.span(first_role)
    script.add(
        f"First stent, into the more angulated daughter: the {limb_name(first)} (probability {sure}); "
        f"from {mm(span.proximal.value)} proximal to {mm(span.daughter.value)} distal to the carina.",
        first_role,
        check=f"Flow in the {limb_name(second)}, whose wire is now jailed.",
        measure="Length of the stent in the proximal main vessel.",
        phase="after_first_stent",
        **{second: JAILED},
    )
    script.optimise(first_role)
    script.rewire(second, first_name)
    script.open_cell(second)
    script.add(
        f"Draw the wire of the {limb_name(first)} back, so that it is not caught behind the second stent.",
        check=f"The wire of the {limb_name(second)} lies well inside the first stent.",
        **{first: OUT},
    )
    span = script.span(second_role)
    script.add(
        f"Second stent through the cell: {mm(span.proximal.value)} in the proximal main vessel, "
        f"{mm(span.daughter.value)} in the {limb_name(second)}.",
        second_role,
        check="Two layers only where planned; no stent end left standing in the lumen.",
        measure="Overlap in the proximal main vessel.",
        phase="after_second_stent",
    )
    _finish_culotte(script, first, second_role)


def _culotte_inverted(script: Script) -> None:
    script.wire_and_prepare()
    script.main_stent(side_after=JAILED)
    script.optimise("main_stent")
    script.rewire("side", "main stent")
    script.open_cell("side")
    script.add("Draw the main wire back, so that it is not caught behind the second stent.",
               check="The side wire lies well inside the main stent.", distal=OUT)  # fmt: skip
    span = script.span("side_stent")
    script.add(
        f"Second stent through the cell: {mm(span.proximal.value)} in the proximal main vessel, "
        f"{mm(span.daughter.value)} in the side branch.",
        "side_stent",
        check="Two layers only where planned; no stent end left standing in the lumen.",
        measure="Overlap in the proximal main vessel.",
        phase="after_second_stent",
    )
    _finish_culotte(script, "distal", "side_stent")


def _finish_culotte(script: Script, limb: str, second_role: str) -> None:
    script.optimise(second_role)
    script.rewire(limb, ROLES[second_role][1])
    script.kiss()
    script.optimise(second_role, final=True)


_RIGHT_ANGLE_DEG = 90.0

_AWAY_FROM_CARINA = "a middle or proximal cell, so that the wire does not slip outside the flattened stent"
"""Where a flattened stent is rewired: common practice, no source."""

_SCRIPTS: Mapping[str, Callable[[Script], None]] = MappingProxyType(
    {
        "provisional": _provisional,
        "t": _t,
        "t_and_protrusion": _t_and_protrusion,
        "mini_crush": lambda script: _crush(script, first_kissing=False),
        "double_kissing_crush": lambda script: _crush(script, first_kissing=True),
        "culotte_classic": _culotte_classic,
        "culotte_inverted": _culotte_inverted,
    }
)
