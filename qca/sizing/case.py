"""Facts of the case that no image gives, typed by the user. All are optional; an unknown fact stays unknown."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from dataclasses import dataclass
from typing import Any

from qca.sizing.refusal import nearest, refuse

TECHNIQUE_IDS = (
    "provisional",
    "t",
    "t_and_protrusion",
    "mini_crush",
    "double_kissing_crush",
    "culotte_classic",
    "culotte_inverted",
)
"""The techniques, in the order in which they are shown."""

PHASES = ("before", "after_first_stent", "after_second_stent", "final", "follow_up")


def _fact(meaning: str, choices: tuple[str, ...] = (), low: float = 0.0, high: float = math.inf) -> Any:  # noqa: ANN401
    return dataclasses.field(default=None, metadata={"meaning": meaning, "choices": choices, "range": (low, high)})


@dataclass(frozen=True, slots=True)
class Case:
    """What the user knows about the case; None = not said.

    Every field is a key of the case file; a test keeps this and the documentation together.
    """

    note: str | None = _fact("free text, shown on the worksheet; no names of people")
    site: str | None = _fact("where the bifurcation lies", ("left_main", "not_left_main"))
    calcification: str | None = _fact("calcification of the lesion", ("none", "mild", "moderate", "severe"))
    thrombus: bool | None = _fact("thrombus in the lesion")
    lesions: int | None = _fact("number of lesions in the vessel", high=20)
    side_mass_percent: float | None = _fact("share of the myocardium behind the side branch, percent", high=100)
    side_access: str | None = _fact("reaching the side branch with a wire", ("easy", "difficult", "lost"))
    side_flow_grade: int | None = _fact("Flow grade in the side branch now (0 none to 3 brisk and complete)", high=3)
    strategy: str | None = _fact("the laboratory's dominant strategy", ("provisional", "two_stents"))
    phase: str | None = _fact("how far the procedure is; without it: before", PHASES)
    first_stent: str | None = _fact("where the first stent lies, once there is one", ("main", "side"))
    technique: str | None = _fact("the technique chosen by the operator; its steps are printed", TECHNIQUE_IDS)
    derive_reference: tuple[str, ...] | None = _fact(
        "limbs without a healthy part, whose reference a diameter law shall replace", ("proximal", "distal", "side")
    )
    scale_sd_percent: float | None = _fact(
        "SD of the scale in percent, used only where the reading does not know it", high=50
    )


NO_CASE = Case()
"""Nothing was said about the case."""


def parse_case(text: str, *, name: str = "case") -> Case:
    """Read a case file.

    Parameters
    ----------
    text : str
        TOML; the keys are the fields of ``Case``.
    name : str
        What to call the file in a message.

    Raises
    ------
    InputError
        One sentence with the key, the value and what is allowed.
    """
    try:
        document = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        refuse(name, f"cannot be read as TOML: {error}")
    fields = {field.name: field for field in dataclasses.fields(Case)}
    facts: dict[str, Any] = {}
    for key, value in document.items():
        if key not in fields:
            refuse(name, f"{key!r} is no fact this program knows; {nearest(key, fields)}")
        facts[key] = _value(name, fields[key], value)
    return Case(**facts)


def _value(name: str, field: dataclasses.Field[Any], value: object) -> object:  # noqa: RET503 - refuse() never returns
    choices: tuple[str, ...] = field.metadata["choices"]
    low, high = field.metadata["range"]
    kind = str(field.type).split(" ", 1)[0]
    allowed = f"one of {', '.join(choices)}" if choices else ""
    if kind == "str" and isinstance(value, str):
        if not choices:
            return value
        if value in choices:
            return value
    elif kind == "bool":
        if isinstance(value, bool):
            return value
        allowed = "true or false"
    elif kind in ("int", "float"):
        allowed = ("a whole number" if kind == "int" else "a number") + f" from {low:g} to {high:g}"
        right = isinstance(value, int) if kind == "int" else isinstance(value, (int, float))
        if right and not isinstance(value, bool) and low <= value <= high:
            return value
    elif kind.startswith("tuple") and isinstance(value, list) and all(item in choices for item in value):
        return tuple(str(item) for item in dict.fromkeys(value))
    elif kind.startswith("tuple"):
        allowed = f"a list of {', '.join(choices)}"
    refuse(name, f"{field.name} = {value!r} is not {allowed or 'a text'}")
