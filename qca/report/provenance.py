"""Where a reading comes from: file, picks, settings, fit and versions, as rows of text."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

from qca.report.plain import plain, plain_title, plain_value
from qca.report.scale_words import FEATURES

if TYPE_CHECKING:
    from qca.frames.frame import Frame
    from qca.picks import Edit, Picks
    from qca.reading import Reading

Row = tuple[str, str]


def check_same_frame(reading: Reading, frame: Frame) -> None:
    """Refuse to draw a reading on another frame.

    Raises
    ------
    ValueError
        If hash, frame number or size differ.
    """
    record = reading.frame
    theirs = (frame.sha256, frame.index, frame.rows, frame.columns)
    if (record.sha256, record.index, record.rows, record.columns) != theirs:
        msg = (
            f"the frame is not the reading's: {plain(frame.file)} frame {frame.index} ({frame.columns} x {frame.rows}) "
            f"given, {plain(record.file)} frame {record.index} ({record.columns} x {record.rows}) measured"
        )
        raise ValueError(msg)


def frame_rows(reading: Reading, frame: Frame) -> list[Row]:
    """Rows about the file and the frame."""
    record, geometry = reading.frame, frame.geometry
    rows = [
        ("File", plain(record.file)),
        ("SHA-256 of the file", plain(record.sha256)),
        ("Frame", f"number {record.index} counted from 0, of {frame.count}"),
        ("Size", f"{record.columns} columns by {record.rows} rows"),
        ("Grey levels", plain(record.grey_rule)),
        ("Lossy compression", "yes" if frame.lossy else "none known"),
    ]
    if geometry.primary_angle_deg is not None and geometry.secondary_angle_deg is not None:
        rows.append(("View", view_text(geometry.primary_angle_deg, geometry.secondary_angle_deg)))
    rows += [
        # A still need not state its number of frames.
        (
            _capital(plain_title(str(key))),
            "not stated" if key == "frames_declared" and value == 0 else plain_value(value),
        )
        for key, value in record.detail.items()
    ]
    rows += [("File warning", plain(warning)) for warning in frame.warnings]
    rows += [("Header warning", plain(warning)) for warning in geometry.warnings]
    return rows


def view_text(primary_deg: float, secondary_deg: float) -> str:
    """Write the positioner's angles with their names (DICOM PS3.3 C.8.7.5.1.2: LAO and cranial are positive)."""
    side = "LAO" if primary_deg >= 0 else "RAO"
    tilt = "cranial" if secondary_deg >= 0 else "caudal"
    return f"{side} {abs(primary_deg):.0f}°, {tilt} {abs(secondary_deg):.0f}°"


def pick_rows(picks: Picks) -> list[Row]:
    """Rows about what a person decided: points as (x, y) in stored pixels, catheter, scale choice, hand edits."""
    rows: list[Row] = []
    for field in dataclasses.fields(picks):
        value = getattr(picks, field.name)
        if field.name == "edits" or value is None:
            continue
        if field.name == "catheter_feature" and picks.catheter is None:
            continue
        rows.append((_PICK_TITLES.get(field.name, field.name), _pick_text(field.name, value)))
    rows += [(f"Hand edit {number}", _edit_text(edit)) for number, edit in enumerate(picks.edits, start=1)]
    return rows


_PICK_TITLES = {
    "frame": "Frame",
    "proximal": "Proximal point",
    "distal": "Distal point",
    "side": "Side point",
    "start": "Start point",
    "end": "End point",
    "catheter": "Catheter points",
    "french": "Catheter size",
    "catheter_mm": "Catheter size",
    "catheter_feature": "Catheter size means",
    "mm_per_px": "Scale typed in",
    "mm_per_px_sd": "Its SD",
    "scale": "Scale taken from",
}
_PICK_UNITS = {"french": " F", "catheter_mm": " mm", "mm_per_px": " mm per px", "mm_per_px_sd": " mm per px"}


def _pick_text(name: str, value: object) -> str:
    if name in {"proximal", "distal", "side", "start", "end"}:
        return _points_text((value,))
    if name == "catheter" and isinstance(value, tuple):
        return _points_text(value)
    if name == "catheter_feature":
        return plain(FEATURES.get(str(value), value))
    return plain_value(value) + _PICK_UNITS.get(name, "")


def _points_text(points: tuple[object, ...]) -> str:
    return " to ".join(f"({plain_value(p)})" for p in points)


_EDIT_WORDS = {
    "wall": "wall redrawn",
    "exclude": "stretch left out",
    "lesion": "lesion limits set",
    "reference": "reference diameter set",
    "path": "centreline redrawn",
}


def _edit_text(edit: Edit) -> str:
    parts = [f"{plain(edit.limb)}: {_EDIT_WORDS.get(edit.kind, plain(edit.kind))}"]
    if edit.side is not None:
        parts.append(f"{plain(edit.side)} wall")
    if edit.points:
        parts.append(f"{len(edit.points)} points, {_points_text((edit.points[0], edit.points[-1]))}")
    if edit.span_px is not None:
        parts.append(f"from {edit.span_px[0]:.1f} to {edit.span_px[1]:.1f} px along the limb")
    if edit.value_px is not None:
        parts.append(f"{edit.value_px:.2f} px")
    return ", ".join(parts)


def setting_rows(reading: Reading) -> list[tuple[str, str, str, str, str]]:
    """Rows about the settings: name, value, unit, reason, source."""
    return [
        (
            plain(field.name),
            plain_value(getattr(reading.settings, field.name)),
            plain(field.metadata.get("unit", "")),
            plain(field.metadata.get("reason", "")),
            plain(field.metadata.get("source", "")),
        )
        for field in dataclasses.fields(reading.settings)
    ]


_FIT_TITLES = {
    "blur_sd_px": "Blur, SD, px",
    "blur_uncertainty_px": "Uncertainty of the blur, px",
    "contrast_per_px": "Contrast, grey levels per px of lumen",
    "noise_sd": "Noise, SD, grey levels",
    "chi2_per_pixel": "Mean square of residual over noise",
}
_FIT_DIGITS = 3
"""Significant digits: what a look at the fit needs. All digits are in reading.json."""


def fit_rows(reading: Reading) -> list[Row]:
    """Rows about the shared parameters of the fit, as the reading lists them."""
    return [
        (
            _FIT_TITLES.get(str(key), _capital(plain_title(str(key)))),
            f"{value:.{_FIT_DIGITS}g}" if isinstance(value, float) and math.isfinite(value) else plain_value(value),
        )
        for key, value in reading.fit.items()
    ]


def _capital(title: str) -> str:
    return title[:1].upper() + title[1:]


def version_rows() -> list[Row]:
    """Rows about the program that made this document."""
    from qca import ALGORITHM_VERSION, __version__

    return [("Program", f"qca {__version__}"), ("Algorithm version", ALGORITHM_VERSION)]
