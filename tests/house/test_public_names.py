"""Names other people's scripts import: add, never rename."""

from __future__ import annotations

import importlib

import pytest

PUBLIC = {
    "calib.units": {"Mm", "Px"},
    "calib.scale": {"Scale"},
    "qca": {"__version__", "ALGORITHM_VERSION", "CAUTION"},
    "qca.errors": {
        "QcaError", "InputError", "UnsupportedFrame", "MissingScale", "PicksError", "MeasurementError", "NoVessel",
        "LimbTooShort",
    },
    "qca.frames": {"open_frame"},
    "qca.frames.frame": {"Frame", "HeaderGeometry"},
    "qca.picks": {"Picks", "Edit", "LIMBS"},
    "qca.picks_file": {"read_picks", "write_picks", "picks_from_json", "picks_to_json", "picks_schema"},
    "qca.settings": {"Settings", "DEFAULT_SETTINGS"},
    "qca.pipeline": {"measure"},
    "qca.reading": {"Reading", "LimbReading", "Profile", "Angles", "Medina", "Flag", "FrameRecord"},
    "qca.document": {
        "read_reading", "parse_reading", "reading_text", "reading_to_json", "reading_from_json", "reading_schema",
    },
    "qca.report.html": {"report_html"},
    "qca.report.table": {"text_table"},
    "qca.report.profile": {"profile_csv"},
    "qca.report.overlay": {"overlay_png"},
}  # fmt: skip


@pytest.mark.parametrize("module", PUBLIC)
def test_public_names_are_there(module):
    names = vars(importlib.import_module(module))
    assert PUBLIC[module] <= set(names)


def test_the_error_tree_is_the_one_that_is_drawn():
    errors = importlib.import_module("qca.errors")
    drawn = [line for line in errors.__doc__.splitlines() if line.startswith("    ") and line.strip()]
    parents = {}
    stack = []
    for line in drawn:
        depth = (len(line) - len(line.lstrip())) // 2
        name = line.split()[0]
        stack = [*stack[: depth - 2], name]
        parents[name] = stack[-2] if len(stack) > 1 else "Exception"
    real = {
        name: kind.__base__.__name__
        for name, kind in vars(errors).items()
        if isinstance(kind, type) and issubclass(kind, Exception)
    }
    assert real == parents
