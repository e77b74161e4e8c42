"""The two tables for the statistician, and the dictionary that explains their columns.

The long table has one value per row; the wide one has one reading per row, with the same columns for every study. Both
hold codes only.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from qca.doubted import striking, untrusted
from qca.store.entry import Entry
from qca.store.quantities import LIMB_NAMES, Value, all_quantities, frame_quantities, limb_quantities, values_of

LONG_COLUMNS: Mapping[str, str] = {
    "code": "opaque code of the read",
    "item": "opaque code of the frame, the same for all its reads; empty until the key was opened",
    "reader": "reader code",
    "pass": "which pass of that reader, from 1",
    "limb": "proximal, distal, side or segment; bifurcation or frame for numbers of the whole",
    "quantity": "what the value is, see the rows for quantities",
    "unit": "its unit",
    "value": "the value; empty where not known, and then a flag says why",
    "sd": "its standard uncertainty, one standard deviation; includes the scale's part for lengths in mm",
    "low": "lower bound of its 95 % interval, where there is one",
    "high": "upper bound of its 95 % interval, where there is one",
    "flags": "codes of the flags on that limb, or on the frame, separated by spaces; README.md explains them",
    "untrusted": "codes of the flags, on the limb or on what else the value rests on, for which it must not be used as "
    "it stands, separated by spaces; empty where there are none",
    "edited": "1 where the limb was edited by hand, 0 where not",
    "state": "open, locked",
    "version": "version of the software",
    "algorithm_version": "version of the measurement; values of different ones are not comparable",
    "entry": "position of the reading in the ledger",
}
"""Columns of the long table, in order."""

WIDE_HEAD: Mapping[str, str] = {
    **{name: LONG_COLUMNS[name] for name in ("code", "item", "reader", "pass", "state")},
    "frame_sha256": "SHA-256 of the frame's file as it was read",
    "frame_index": "frame number, from 0",
    "rows": "pixel rows of the frame",
    "columns": "pixel columns of the frame",
    "entered_utc": "when the reading was entered, by the clock of the machine that did it",
    **{name: LONG_COLUMNS[name] for name in ("version", "algorithm_version", "entry")},
    "flags": "all flags as code@place, separated by spaces; README.md explains them",
    "untrusted": "those of them for which numbers of that place must not be used as they stand",
    "edited": "1 where anything was edited by hand",
    "scale_source": "where the scale came from",
    "medina_code": "Medina code: proximal, distal, side",
    "medina_threshold_percent": "diameter stenosis from which a digit is 1",
}
"""First columns of the wide table; the numbers follow as limb_quantity_unit."""

REFUSED_COLUMNS: Mapping[str, str] = {
    "code": "code of the row in the list",
    "reader": "reader code",
    "pass": "which pass of that reader",
    "line": "line of the list, 1 is its header",
    "kind": "input, picks, measurement, crash, time: what went wrong",
    "reason": "one sentence: what, and what to do",
    "tries": "how often it was tried",
}
"""Columns of the table of frames without a reading."""


@dataclass(frozen=True, slots=True)
class Read:
    """One reading with its place in the study.

    Parameters
    ----------
    entry : Entry
        The entry whose reading counts.
    state : str
        State of the read.
    document : mapping
        The reading as JSON values.
    item : str
        Opaque code of the frame; empty before the key is opened.
    """

    entry: Entry
    state: str
    document: Mapping[str, Any]
    item: str = ""


def read_of(entry: Entry, state: str, text: bytes, item: str = "") -> Read:
    """Build a read from the text of its reading."""
    return Read(entry, state, json.loads(text), item)


def long_rows(read: Read) -> Iterator[tuple[object, ...]]:
    """Give the rows of one reading for the long table, in the order of `LONG_COLUMNS`."""
    entry, limbs = read.entry, read.document.get("limbs") or {}
    software = read.document.get("software") or {}
    versions = (software.get("version"), software.get("algorithm_version"))
    flags: dict[str, str] = {"frame": _frame_flags(read.document), "bifurcation": _frame_flags(read.document)}
    edited: dict[str, object] = {"frame": False, "bifurcation": False}
    for name, limb in limbs.items():
        flags[name] = " ".join(limb.get("flags") or ())
        edited[name] = bool(limb.get("edited"))
    placed = _placed(read.document)
    for each in values_of(read.document):
        struck = " ".join(striking(placed, _rests_on(each)))
        yield (
            *(entry.code, read.item, entry.reader, entry.passage, each.limb, each.quantity.name, each.quantity.unit),
            *(each.value, each.sd, each.low, each.high, flags.get(each.limb, ""), struck, edited.get(each.limb)),
            *(read.state, *versions, entry.seq),
        )


def _placed(document: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Give every flag of a reading as code and place, those too that only a limb holds."""
    listed = [(flag["code"], flag["where"]) for flag in document.get("flags") or ()]
    limbs = document.get("limbs") or {}
    listed += [(code, name) for name, limb in limbs.items() for code in limb.get("flags") or ()]
    return tuple(dict.fromkeys(listed))


def _rests_on(value: Value) -> frozenset[str]:
    """Say what a value rests on, as places of flags: its limb, and for a length in mm the scale."""
    if value.limb == "frame":
        return frozenset({"scale"})
    if value.limb == "bifurcation":
        return frozenset({"angles"})
    if value.quantity.name.startswith("medina"):
        return frozenset({value.limb, "medina"})
    return frozenset({value.limb, "scale"} if value.quantity.unit == "mm" else {value.limb})


def _frame_flags(document: Mapping[str, Any]) -> str:
    """Give the flags that are not on a limb."""
    found = [flag["code"] for flag in document.get("flags") or () if flag.get("where") not in LIMB_NAMES]
    return " ".join(dict.fromkeys(found))


def wide_columns() -> tuple[str, ...]:
    """Columns of the wide table: always the same, whatever the study holds."""
    return (*WIDE_HEAD, *(name for name, _, _ in _wide_numbers()))


def _wide_numbers() -> Iterator[tuple[str, tuple[str, ...], str]]:
    """Column name, path in reading.json, meaning; limb by limb."""
    for one in frame_quantities():
        unit = one.unit.replace("/", "_per_")
        yield f"{one.name}_{unit}", one.path, f"{one.meaning}, {one.unit}"
        for kind, path in one.companions.items():
            yield f"{one.name}_{kind}_{unit}", path, f"{_KINDS[kind]} of {one.name}_{unit}"
    for limb in LIMB_NAMES:
        for one in limb_quantities():
            base = f"{limb}_{one.name}"
            yield f"{base}_{one.unit}", ("limbs", limb, *one.path), f"{one.meaning}, {one.unit}"
            for kind, path in one.companions.items():
                meaning = f"{_KINDS[kind]} of {base}_{one.unit}"
                yield f"{base}_{kind}_{one.unit}", ("limbs", limb, *path), meaning


_KINDS = {"sd": "standard uncertainty", "low": "lower 95 % bound", "high": "upper 95 % bound"}


def wide_row(read: Read) -> tuple[object, ...]:
    """Give the row of one reading for the wide table, in the order of `wide_columns`."""
    entry, document = read.entry, read.document
    software, frame = document.get("software") or {}, document.get("frame") or {}
    medina, scale = document.get("medina") or {}, document.get("scale") or {}
    placed = _placed(document)
    flags = [f"{code}@{where}" for code, where in placed]
    struck = [f"{code}@{where}" for code, where in placed if untrusted(code)]
    head = (
        *(entry.code, read.item, entry.reader, entry.passage, read.state),
        *(frame.get("sha256"), frame.get("index"), frame.get("rows"), frame.get("columns"), entry.time_utc),
        *(software.get("version"), software.get("algorithm_version"), entry.seq, " ".join(flags), " ".join(struck)),
        any(limb.get("edited") for limb in (document.get("limbs") or {}).values()),
        *(scale.get("source"), medina.get("code"), medina.get("threshold_percent")),
    )
    return (*head, *(_at(document, path) for _, path, _ in _wide_numbers()))


def _at(document: Any, path: tuple[str, ...]) -> object:  # noqa: ANN401 - JSON
    for key in path:
        document = document.get(key) if isinstance(document, Mapping) else None
    return document


def dictionary_rows() -> Iterator[tuple[object, ...]]:
    """Give the data dictionary: table, column or quantity, unit, meaning, where it stands in reading.json."""
    yield ("table", "name", "kind", "unit", "meaning", "reading_json")
    for name, meaning in LONG_COLUMNS.items():
        yield ("readings_long", name, "column", "", meaning, "")
    for one in all_quantities():
        place = {"limb": "limbs.<limb>.", "bifurcation": "", "frame": ""}[one.place]
        where = place + ".".join(one.path) if one.path else "medina"
        yield ("readings_long", one.name, "quantity", one.unit, one.meaning, where)
    for name, meaning in WIDE_HEAD.items():
        yield ("readings_wide", name, "column", "", meaning, "")
    for name, path, meaning in _wide_numbers():
        yield ("readings_wide", name, "column", _unit(name), meaning, ".".join(path))
    for name, meaning in REFUSED_COLUMNS.items():
        yield ("refused", name, "column", "", meaning, "")


def _unit(column: str) -> str:
    return "mm/px" if column.endswith("mm_per_px") else column.rpartition("_")[2]
