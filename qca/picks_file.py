"""Picks as JSON: the file that ``--picks`` takes and that stands beside every sample.

::

    {
        "schema": "qca.picks/1",
        "frame": 12,
        "proximal": [x, y],
        "distal": [x, y],
        "side": [x, y],
        "catheter": [[x, y], [x, y]],
        "french": 6,
        "edits": [...],
    }

Keys are the fields of `Picks`; what is not given may be left out. A reading.json is taken too: its picks are used.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calib.sources import scale_typed
from qca import codec
from qca.errors import InputError, PicksError
from qca.json_text import read_json, write_json
from qca.picks import Picks
from qca.whole_file import write_whole

PICKS_SCHEMA = "qca.picks/1"
_READING_SCHEMA_STEM = "qca.reading/"

_BIFURCATION = ("proximal", "distal", "side")
_SEGMENT = ("start", "end")
_SCALE_GROUPS = (("catheter", "french", "catheter_mm", "catheter_feature"), ("mm_per_px", "mm_per_px_sd"), ("scale",))


def picks_to_json(picks: Picks, *, only_given: bool = False) -> dict[str, Any]:
    """Turn picks into JSON values.

    Parameters
    ----------
    picks : Picks
        What to write.
    only_given : bool
        Leave out what is None or empty, for a file that people read.
    """
    document: dict[str, Any] = codec.encode(picks)
    if only_given:
        document = {key: value for key, value in document.items() if value not in (None, [])}
        if "catheter" not in document:
            document.pop("catheter_feature", None)
    return document


def picks_from_json(document: object, *, name: str = "picks") -> Picks:
    """Build picks from JSON values.

    Parameters
    ----------
    document : object
        A JSON object with the fields of `Picks`.
    name : str
        What to call it in a message.

    Raises
    ------
    InputError
        If a key is unknown or a value is not of its kind.
    PicksError
        If the picks contradict themselves; see `check_picks`.
    """
    if isinstance(document, Mapping) and "schema" in document:
        if document["schema"] != PICKS_SCHEMA:
            msg = f"{name} is {document['schema']!r}, not {PICKS_SCHEMA!r}: give a file of picks or a reading."
            raise InputError(msg, file=name)
        document = {key: value for key, value in document.items() if key != "schema"}
    picks: Picks = codec.decode_fields(Picks, document, path="", name=name)
    check_picks(picks)
    return picks


def read_picks(path: Path) -> Picks:
    """Read picks from a file of picks or from a reading.

    Raises
    ------
    InputError, PicksError
        If the file cannot be read or its picks cannot be used.
    """
    document = read_json(path)
    if isinstance(document, Mapping) and str(document.get("schema", "")).startswith(_READING_SCHEMA_STEM):
        return picks_from_json(document.get("picks"), name=f"{path.name}, picks")
    return picks_from_json(document, name=path.name)


def write_picks(path: Path, picks: Picks) -> None:
    """Write picks to a file, whole or not at all."""
    write_whole(path, write_json({"schema": PICKS_SCHEMA, **picks_to_json(picks, only_given=True)}))


def picks_schema() -> dict[str, Any]:
    """Build the JSON Schema (draft 2020-12) of a file of picks from the types."""
    document = codec.schema(Picks, complete=False)
    document["properties"] = {"schema": {"const": PICKS_SCHEMA}, **document["properties"]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:qca:picks:1",
        "title": "What a person decided about one angiogram frame",
        "description": "Points are [x, y] = [column, row] in stored pixels; an integer is a pixel centre.",
        **document,
    }


def override(picks: Picks, given: Mapping[str, Any]) -> Picks:
    """Let what is given win over picks from a file.

    Choosing another way to the scale drops the file's way, and choosing a segment drops a bifurcation's points, and the
    other way round: what is given decides, not a mixture.

    Parameters
    ----------
    picks : Picks
        From a file, or empty.
    given : mapping
        Field name to value; None means not given.
    """
    chosen = {key: value for key, value in given.items() if value is not None}
    dropped: dict[str, Any] = {}
    for mine, other in ((_BIFURCATION, _SEGMENT), (_SEGMENT, _BIFURCATION)):
        if any(key in chosen for key in mine):
            dropped.update(dict.fromkeys(other))
    for group in _SCALE_GROUPS:
        if any(key in chosen for key in group):
            dropped.update({key: _default(key) for other in _SCALE_GROUPS if other is not group for key in other})
    if "french" in chosen:
        dropped["catheter_mm"] = None
    if "catheter_mm" in chosen:
        dropped["french"] = None
    if "mm_per_px" in chosen:
        dropped["mm_per_px_sd"] = None
    return dataclasses.replace(picks, **{**dropped, **chosen})


def check_picks(picks: Picks) -> None:
    """Refuse picks that contradict themselves, before any file is opened.

    Whether a point lies inside the frame or on a vessel is for the measurement to say.

    Raises
    ------
    PicksError
        One sentence: what, which value, what to do.
    """
    for field, value in _numbers(picks):
        if not math.isfinite(value):
            msg = f"{field} is {value}: give a finite number."
            raise PicksError(msg)
    if picks.frame is not None and picks.frame < 0:
        msg = f"frame is {picks.frame}: frames are counted from 0."
        raise PicksError(msg)
    for field in ("french", "catheter_mm", "mm_per_px"):
        value = getattr(picks, field)
        if value is not None and value <= 0:
            msg = f"{field} is {value:g}: give a size above 0."
            raise PicksError(msg)
    if picks.mm_per_px_sd is not None and picks.mm_per_px_sd < 0:
        msg = f"mm_per_px_sd is {picks.mm_per_px_sd:g}: an uncertainty cannot be negative."
        raise PicksError(msg)
    if picks.mm_per_px is not None:
        try:
            scale_typed(picks.mm_per_px, picks.mm_per_px_sd)
        except ValueError as error:
            msg = f"mm_per_px: {error}."
            raise PicksError(msg) from error
    _check_mode(picks)
    _check_scale(picks)


def check_complete(picks: Picks) -> None:
    """Refuse picks from which points or the catheter's size are still missing.

    Raises
    ------
    PicksError
        Names what is missing.
    """
    wanted = _SEGMENT if picks.is_segment else _BIFURCATION
    missing = [key for key in wanted if getattr(picks, key) is None]
    if missing:
        msg = f"The picks lack {' and '.join(missing)}: give {', '.join(wanted)}."
        raise PicksError(msg)
    sizes = (picks.french, picks.catheter_mm, picks.mm_per_px, picks.scale)
    if picks.catheter is not None and all(size is None for size in sizes):
        msg = "The catheter's size is missing: give french, or catheter_mm where it was measured."
        raise PicksError(msg)


def _check_mode(picks: Picks) -> None:
    if picks.is_segment and any(getattr(picks, key) is not None for key in _BIFURCATION):
        msg = "Both a segment (start, end) and a bifurcation (proximal, distal, side) are picked: keep one."
        raise PicksError(msg)


def _check_scale(picks: Picks) -> None:
    if picks.french is not None and picks.catheter_mm is not None:
        msg = f"Both french ({picks.french:g}) and catheter_mm ({picks.catheter_mm:g}) are given: keep one."
        raise PicksError(msg)
    ways = {
        "a catheter": picks.french is not None or picks.catheter_mm is not None,
        "mm_per_px": picks.mm_per_px is not None,
        "the header's scale": picks.scale is not None,
    }
    named = [way for way, given in ways.items() if given]
    if len(named) > 1:
        msg = f"The scale is given in {len(named)} ways ({', '.join(named)}): keep one."
        raise PicksError(msg)
    if picks.catheter is None and ways["a catheter"]:
        msg = "A catheter size is given without the two points along the shaft: give the points too."
        raise PicksError(msg)
    if picks.catheter_feature == "filled_lumen" and picks.french is not None:
        msg = f"french ({picks.french:g}) is an outer size: for a filled lumen give its inner diameter as catheter_mm."
        raise PicksError(msg)
    if picks.mm_per_px_sd is not None and picks.mm_per_px is None:
        msg = f"mm_per_px_sd ({picks.mm_per_px_sd:g}) is given without mm_per_px: give both or neither."
        raise PicksError(msg)


def _numbers(picks: Picks) -> list[tuple[str, float]]:
    """Every number of the picks with its name."""

    def walk(name: str, value: object) -> list[tuple[str, float]]:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return [(name, float(value))]
        if isinstance(value, tuple):
            return [pair for item in value for pair in walk(name, item)]
        if dataclasses.is_dataclass(value):
            return [
                pair
                for field in dataclasses.fields(value)
                for pair in walk(f"{name}.{field.name}", getattr(value, field.name))
            ]
        return []

    return [pair for field in dataclasses.fields(picks) for pair in walk(field.name, getattr(picks, field.name))]


def _default(key: str) -> Any:  # noqa: ANN401
    return next(field.default for field in dataclasses.fields(Picks) if field.name == key)
