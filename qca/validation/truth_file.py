"""truth.json beside a frame, and a folder of such frames."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qca.errors import InputError
from qca.json_text import read_json
from qca.validation.case import MOUTH_MM, LimbTarget, Place, Target
from qca.validation.job import FileJob

if TYPE_CHECKING:
    from qca.phantom.recipe import Recipe

TRUTH_SCHEMA = "qca.truth/1"
_ENDING = ".truth.json"


def folder_jobs(folder: Path) -> list[FileJob]:
    """List the frames of a folder: every NAME.truth.json with its NAME.picks.json and the frame file it names.

    Raises
    ------
    InputError
        If there is none, or a file is missing or wrong.
    """
    if not folder.is_dir():
        msg = f"{folder} is no folder: give a folder with NAME.truth.json and NAME.picks.json beside every frame."
        raise InputError(msg, file=str(folder))
    truths = sorted(folder.glob(f"*{_ENDING}"))
    if not truths:
        msg = f"{folder} holds no NAME{_ENDING}: give a folder with truth and picks beside every frame."
        raise InputError(msg, file=str(folder))
    return [_job(path) for path in truths]


def _job(path: Path) -> FileJob:
    document = _document(path)
    name = path.name.removesuffix(_ENDING)
    file = path.with_name(Path(str(document.get("file", ""))).name)
    picks = path.with_name(f"{name}.picks.json")
    for needed in (file, picks):
        if not needed.is_file():
            msg = f"{path.name} needs {needed.name or 'a file'} beside it: put it into {path.parent}."
            raise InputError(msg, file=path.name)
    frame = document.get("frame")
    index = frame if isinstance(frame, int) else None
    return FileJob(name, file, picks, _target(document, path), index, path if "recipe" in document else None)


def _document(path: Path) -> Mapping[str, Any]:
    document = read_json(path)
    if not isinstance(document, Mapping) or document.get("schema") != TRUTH_SCHEMA:
        msg = f"{path.name} is no truth file: its schema must be {TRUTH_SCHEMA!r}."
        raise InputError(msg, file=path.name)
    return document


def _target(document: Mapping[str, Any], path: Path) -> Target:
    try:
        limbs = {}
        for name, limb in document["limbs"].items():
            length = _number(limb["lesion_length_mm"])
            place: Place = "none"
            if length > 0:
                near = _number(limb["lesion_start_mm"]) - _number(limb["mouth_mm"]) < MOUTH_MM
                place = "mouth" if near and name != "segment" else "shaft"
            mld, reference, ds = (_number(limb[key]) for key in ("mld_mm", "reference_mm", "ds_percent"))
            limbs[str(name)] = LimbTarget(mld, reference, ds, length, place)
        angles = document["angles_deg"]
        medina = document["medina"]
        return Target(
            _number(document["scale"]["mm_per_px"]),
            limbs,
            None if angles is None else {key: _number(angles[key]) for key in "ABC"},
            None if medina is None else str(medina["code"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        msg = f"{path.name} is no complete truth file ({error}): write it with  qca phantom  or complete it."
        raise InputError(msg, file=path.name) from error


def _number(value: object) -> float:
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        msg = f"{value!r} is no number"
        raise TypeError(msg)
    return float(value)


def read_recipe(path: Path) -> Recipe:
    """Read the recipe of a phantom from its truth file."""
    from qca.codec import decode
    from qca.phantom.recipe import Recipe

    recipe: Recipe = decode(Recipe, _document(path)["recipe"], path="recipe", name=path.name)
    return recipe
