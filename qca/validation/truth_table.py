"""A user's own frames with a truth table: one row per frame and limb.

Columns (CSV, first line names them; empty cells are unknown; lengths in millimetres):

========================  ==========================================================================================
``file``                  frame file (DICOM, PNG, TIFF); relative names count from the table's folder
``picks``                 file of picks as ``qca measure --picks`` takes it; it also names the catheter and its size
``limb``                  proximal, distal, side, or segment
``mld_mm``                true minimal diameter between the limb mouth and the pick
``reference_mm``          true diameter of the healthy lumen at that place
``lesion_length_mm``      true length over which the lumen is under 90 % of the healthy one; 0 without a narrowing
``code``                  optional: a name for the frame; the file's name without it
``frame``                 optional: zero-based frame number; the picks' own without it
``ds_percent``            optional: computed from the two diameters without it
``mm_per_px``             optional: true scale in the object's plane; without it errors are stated with the scale's
``angle_a_deg``           optional: true angle between proximal and side; ``angle_b_deg`` distal and side,
                          ``angle_c_deg`` proximal and distal
``photons_per_px``        optional: detected quanta per pixel, for the breakdown by noise
``blur_mm``               optional: standard deviation of the blur, for the breakdown by blur
========================  ==========================================================================================
"""

from __future__ import annotations

import math
from pathlib import Path

from qca.csv_text import Row, read_header, read_rows
from qca.errors import InputError
from qca.picks import LIMBS
from qca.validation.case import LimbTarget, Place, Target
from qca.validation.job import FileJob

REQUIRED = ("file", "picks", "limb", "mld_mm", "reference_mm", "lesion_length_mm")
OPTIONAL = (
    "code",
    "frame",
    "ds_percent",
    "mm_per_px",
    "angle_a_deg",
    "angle_b_deg",
    "angle_c_deg",
    "photons_per_px",
    "blur_mm",
)
_NAMES = (*LIMBS, "segment")
_TRAITS = ("photons_per_px", "blur_mm", "mm_per_px")
_LARGEST_MM = 100.0
_MEDINA_PERCENT = 50.0


def table_jobs(path: Path) -> list[FileJob]:
    """Read a truth table.

    Returns
    -------
    list of FileJob
        One per frame, in the order of their first rows.

    Raises
    ------
    InputError
        If the table is wrong: one sentence with line, column and value.
    """
    header = read_header(path, required=REQUIRED, optional=OPTIONAL)
    groups: dict[tuple[str, str, str, str], list[Row]] = {}
    for row in read_rows(path, header):
        cells = row.cells
        key = (cells.get("code", "") or Path(cells["file"]).stem, cells["file"], cells.get("frame", ""), cells["picks"])
        groups.setdefault(key, []).append(row)
    if not groups:
        msg = f"{path.name} has no row below its header: give one row per frame and limb."
        raise InputError(msg, file=path.name)
    names = [key[0] for key in groups]
    for name in names:
        if names.count(name) > 1:
            msg = f"{path.name} uses the code {name!r} for two frames: give each frame a code of its own."
            raise InputError(msg, file=path.name)
    return [_job(path, key, rows) for key, rows in groups.items()]


def _job(path: Path, key: tuple[str, str, str, str], rows: list[Row]) -> FileJob:
    name, file, frame, picks = key
    limbs: dict[str, LimbTarget] = {}
    for row in rows:
        limb = row.cells["limb"]
        if limb not in _NAMES:
            raise _wrong(path, row, f"limb is {limb[:40]!r}: it must be one of {', '.join(_NAMES)}")
        if limb in limbs:
            raise _wrong(path, row, f"the limb {limb} of {name!r} is there twice: keep one row")
        limbs[limb] = _limb(path, row)
    first = rows[0]
    angles = {letter: _number(path, first, f"angle_{letter.lower()}_deg", 360.0) for letter in "ABC"}
    index = None
    if frame:
        if not frame.isdecimal():
            raise _wrong(path, first, f"frame is {frame[:40]!r}: it must be a whole number from 0")
        index = int(frame)
    traits = {trait: _number(path, first, trait, math.inf) for trait in _TRAITS}
    for needed, column in ((file, "file"), (picks, "picks")):
        if not needed or not (path.parent / needed).is_file():
            raise _wrong(path, first, f"{column} {needed[:80]!r} is not there: give its path from the table's folder")
    return FileJob(
        name,
        path.parent / file,
        path.parent / picks,
        Target(
            traits["mm_per_px"],
            limbs,
            angles if all(math.isfinite(v) for v in angles.values()) else None,
            _medina(limbs),
        ),
        index,
        traits=tuple((trait, value) for trait, value in traits.items() if math.isfinite(value)),
    )


def _limb(path: Path, row: Row) -> LimbTarget:
    mld = _number(path, row, "mld_mm", _LARGEST_MM)
    reference = _number(path, row, "reference_mm", _LARGEST_MM)
    length = _number(path, row, "lesion_length_mm", math.inf, zero=True)
    ds = _number(path, row, "ds_percent", 100.0, zero=True)
    if math.isnan(ds):
        ds = 100 * (1 - mld / reference)
    place: Place = "unknown" if math.isnan(length) else ("none" if length == 0 else "unknown")
    return LimbTarget(mld, reference, ds, length, place)


def _medina(limbs: dict[str, LimbTarget]) -> str | None:
    """Return the true code, from the true DS; None when one is unknown."""
    if not all(name in limbs and math.isfinite(limbs[name].ds_percent) for name in LIMBS):
        return None
    return ",".join(str(int(limbs[name].ds_percent >= _MEDINA_PERCENT)) for name in LIMBS)


def _number(path: Path, row: Row, column: str, largest: float, *, zero: bool = False) -> float:
    try:
        value = row.number(column)
    except ValueError as error:
        raise _wrong(path, row, str(error)) from error
    if value is None:
        return math.nan
    if not (math.isfinite(value) and (value > 0 or (zero and value == 0)) and value <= largest):
        allowed = f"above 0 and at most {largest:g}" if math.isfinite(largest) else "a positive number"
        raise _wrong(path, row, f"{column} is {value:g}: it must be {allowed}")
    return value


def _wrong(path: Path, row: Row, what: str) -> InputError:
    return InputError(f"{path.name}, line {row.line}: {what}.", file=path.name)
