"""The flags of a reading as numbered remarks, and which numbers each of them makes doubtful."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from qca.doubted import EVERYTHING, subjects, untrusted
from qca.report.plain import plain

if TYPE_CHECKING:
    from qca.flags import FlagDefinition
    from qca.reading import Reading
    from qca.report.quantities import Quantity


@dataclass(frozen=True, slots=True)
class Remark:
    """One flag as shown to people.

    Parameters
    ----------
    label : str
        ``"F1"``, ``"F2"``, ...: the mark beside the numbers that it touches.
    code : str
        Code in the flag table.
    place : str
        Where it applies, in words.
    name, text, advice : str
        What it is called, what was found, what to do.
    untrusted : bool
        True when numbers it touches must not be relied on.
    subjects : frozenset of str
        Limb names, ``"scale"``, ``"angles"``, ``"medina"``, or ``"everything"``.
    """

    label: str
    code: str
    place: str
    name: str
    text: str
    advice: str
    untrusted: bool
    subjects: frozenset[str]


def remarks(reading: Reading) -> tuple[Remark, ...]:
    """List the flags of a reading, those that spoil numbers first.

    A limb's flag that the reading's own list does not repeat is added. A code that the flag table does not know
    counts as untrusted: a warning that cannot be understood is not taken lightly.

    Returns
    -------
    tuple of Remark
        Labelled F1, F2, ... in the order shown.
    """
    from qca.flags import FLAGS

    listed = [(flag.code, flag.where, flag.message) for flag in reading.flags]
    present = {(code, where) for code, where, _ in listed}
    for name, limb in reading.limbs.items():
        listed += [(code, name, "") for code in limb.flags if (code, name) not in present]
    found = []
    for code, where, message in dict.fromkeys(listed):
        definition = FLAGS.get(code)
        found.append(
            Remark(
                label="",
                code=plain(code),
                place=_place(where),
                name=_sentence(definition.short if definition else plain(code)),
                text=_text(message, definition),
                advice=definition.advice
                if definition
                else "This flag is not in the table of this version: open the reading with the version that made it.",
                untrusted=untrusted(code),
                subjects=subjects(where),
            )
        )
    found.sort(key=lambda remark: not remark.untrusted)
    return tuple(
        Remark(
            f"F{number}",
            remark.code,
            remark.place,
            remark.name,
            remark.text,
            remark.advice,
            remark.untrusted,
            remark.subjects,
        )
        for number, remark in enumerate(found, start=1)
    )


def touching(found: tuple[Remark, ...], *touched: str) -> tuple[Remark, ...]:
    """Pick the untrusted remarks that touch any of the subjects.

    Parameters
    ----------
    found : tuple of Remark
        All remarks of the reading.
    *touched : str
        Limb names, ``"scale"``, ``"angles"``, ``"medina"``.

    Returns
    -------
    tuple of Remark
        Those whose numbers must not be relied on.
    """
    wanted = {*touched, EVERYTHING}
    return tuple(remark for remark in found if remark.untrusted and remark.subjects & wanted)


def doubts(found: tuple[Remark, ...], quantity: Quantity, limb: str, *, in_mm: bool) -> tuple[Remark, ...]:
    """Pick the remarks that make one number of one limb unreliable; the scale spoils lengths in mm only."""
    if in_mm and quantity.kind == "length":
        return touching(found, limb, "scale")
    return touching(found, limb)


def _text(message: str, definition: FlagDefinition | None) -> str:
    """Join what this frame's message says beyond the table with the table's long text."""
    own = plain(message)
    if definition is None:
        return own
    if not own or own == definition.short:
        return definition.long
    return f"{_sentence(own).rstrip('.')}. {definition.long}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _place(where: str) -> str:
    return plain(where) if where.strip() else "whole frame"
