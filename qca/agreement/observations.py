"""What the statistics start from: one value of one quantity of one read."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from qca.csv_text import Row, read_header, read_rows
from qca.errors import InputError

_OPTIONAL = ("item", "code", "reader", "pass", "limb", "quantity", "unit", "sd", "flags")


@dataclass(frozen=True, slots=True)
class Observation:
    """One value.

    Parameters
    ----------
    item : str
        What was read: the same for all reads of one frame.
    reader : str
        Reader code.
    passage : int
        Which pass of that reader, from 1.
    limb, quantity, unit : str
        What the value is.
    value : float
        NaN when the reading has none.
    sd : float
        The tool's own standard uncertainty of it; NaN when unknown.
    """

    item: str
    reader: str
    passage: int
    limb: str
    quantity: str
    unit: str
    value: float
    sd: float = math.nan


def read_observations(files: Sequence[Path]) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
    """Read tables with one value per row, such as ``readings_long.csv``.

    Needed is the column ``value`` and one of ``item`` and ``code``; ``reader``, ``pass``, ``limb``, ``quantity``,
    ``unit`` and ``sd`` are used where present. Reads are matched by ``item``, or by ``code`` where ``item`` is
    empty.

    Parameters
    ----------
    files : sequence of Path
        One or more tables. A table whose reads name no reader counts as one reader, named after its place.

    Returns
    -------
    tuple
        The observations, and sentences about what was assumed.

    Raises
    ------
    InputError
        If a table cannot be read or a cell is no number.
    """
    found: list[Observation] = []
    notes: list[str] = []
    for place, path in enumerate(files, start=1):
        header = read_header(path, required=("value",), optional=_OPTIONAL)
        if "item" not in header.columns and "code" not in header.columns:
            msg = f"{path.name} has neither a column item nor code: one must say which frame a value belongs to."
            raise InputError(msg, file=path.name)
        mine = [_observation(path, row) for row in read_rows(path, header)]
        if any(not one.reader for one in mine):
            name = f"table {place}"
            mine = [one if one.reader else replace(one, reader=name) for one in mine]
            notes.append(f"Values of {path.name} that name no reader count as the reader {name!r}.")
        found.extend(mine)
    if not found:
        msg = "There are no values in the table: nothing to compare."
        raise InputError(msg, file=files[0].name if files else None)
    return tuple(found), tuple(notes)


def _observation(path: Path, row: Row) -> Observation:
    try:
        value, sd, passage = row.number("value"), row.number("sd"), row.number("pass")
    except ValueError as error:
        msg = f"{path.name}, line {row.line}: {error}."
        raise InputError(msg, file=path.name) from None
    if value is not None and math.isinf(value):
        msg = f"{path.name}, line {row.line}: value is infinite; leave the cell empty if it is unknown."
        raise InputError(msg, file=path.name)
    if passage is not None and not (passage.is_integer() and passage >= 1):
        msg = f"{path.name}, line {row.line}: pass is {passage:g}; passes are counted from 1."
        raise InputError(msg, file=path.name)
    item = row.cells.get("item") or row.cells.get("code", "")
    if not item:
        msg = f"{path.name}, line {row.line}: neither item nor code says which frame this is."
        raise InputError(msg, file=path.name)
    return Observation(
        item=item,
        reader=row.cells.get("reader", ""),
        passage=int(passage or 1),
        limb=row.cells.get("limb", ""),
        quantity=row.cells.get("quantity") or "value",
        unit=row.cells.get("unit", ""),
        value=math.nan if value is None else value,
        sd=math.nan if sd is None or sd < 0 else sd,
    )


_PLACES = frozenset({"mld_position", "lesion_start", "lesion_end"})
"""Where something is along a limb: in a limb without a narrowing the smallest diameter lies wherever noise puts it."""


def without_healthy(observations: Sequence[Observation]) -> tuple[tuple[Observation, ...], int]:
    """Leave out what describes a narrowing in limbs that have none.

    A limb in which no read found a narrowing (every ``lesion_length`` is 0) keeps neither lesion length nor places;
    where only some reads found none, those reads keep the length 0 and have no places.

    Returns
    -------
    tuple
        The values kept, and the number of limbs in which nobody found a narrowing.
    """
    lengths: dict[tuple[str, str], dict[tuple[str, int], float]] = {}
    for one in observations:
        if one.quantity == "lesion_length":
            lengths.setdefault((one.item, one.limb), {})[one.reader, one.passage] = one.value
    healthy = {limb for limb, reads in lengths.items() if all(value == 0 for value in reads.values())}
    kept: list[Observation] = []
    for one in observations:
        limb = (one.item, one.limb)
        if one.quantity in _PLACES or one.quantity == "lesion_length":
            if limb in healthy:
                continue
            if one.quantity in _PLACES and lengths.get(limb, {}).get((one.reader, one.passage)) == 0:
                kept.append(replace(one, value=math.nan))
                continue
        kept.append(one)
    return tuple(kept), len(healthy)


def without_repeats(observations: Iterable[Observation]) -> tuple[tuple[Observation, ...], int]:
    """Keep one value per item, reader, pass, limb, quantity and unit: the last.

    Returns
    -------
    tuple
        The values kept, and how many places held different values for the same read.
    """
    kept: dict[tuple[str, str, int, str, str, str], Observation] = {}
    clashes: set[tuple[str, str, int, str, str, str]] = set()
    for one in observations:
        key = (one.item, one.reader, one.passage, one.limb, one.quantity, one.unit)
        before = kept.get(key)
        if before is not None and not math.isnan(before.value) and before.value != one.value:
            clashes.add(key)
        kept[key] = one
    return tuple(kept.values()), len(clashes)
