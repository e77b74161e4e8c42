"""The floors of the house, and what an import may cost."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent

HEAVY = {"numpy", "scipy", "cv2", "skimage", "pydicom", "jinja2", "matplotlib", "sqlalchemy", "imagecodecs", "PIL"}
GUI = {"napari", "qtpy", "PySide6", "PyQt5", "PyQt6", "pyqtgraph", "vispy"}


def loaded_after(code):
    """Top-level names in sys.modules after running ``code`` in a fresh interpreter."""
    script = f"{code}\nimport sys\nprint('\\n'.join(sorted({{name.partition('.')[0] for name in sys.modules}})))"
    run = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True, cwd=ROOT)
    return set(run.stdout.split())


def test_the_import_contracts_hold():
    run = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"], capture_output=True, text=True, cwd=ROOT
    )
    assert run.returncode == 0, run.stdout + run.stderr


STRAYS = {
    "calib.stray": ("qca.errors", "ui stands on qca stands on calib"),
    "qca.stray": ("ui.cli.points", "ui stands on qca stands on calib"),
    "qca.phantom.stray": ("qca.tube", "the phantom knows nothing of the estimator"),
    "qca.tree.stray": ("qca.phantom", "the estimator knows nothing of the phantom"),
    "qca.sizing.stray": ("qca.frames", "sizing and change know no image"),
    "qca.report.stray": ("napari", "only the desk imports napari and Qt"),
}


@pytest.fixture(scope="module")
def verdict_on_strays(tmp_path_factory):
    """What import-linter says about a copy of the packages with one forbidden import added per contract."""
    copy = tmp_path_factory.mktemp("strays")
    for package in ("calib", "qca", "ui"):
        for source in (ROOT / package).rglob("*.py"):
            target = copy / source.relative_to(ROOT)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(source.read_bytes())
    (copy / "pyproject.toml").write_bytes((ROOT / "pyproject.toml").read_bytes())
    for module, (target, _) in STRAYS.items():
        (copy / (module.replace(".", "/") + ".py")).write_text(f"import {target}\n")
    run = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"],
        capture_output=True,
        text=True,
        cwd=copy,
        env={**os.environ, "PYTHONPATH": str(copy)},
    )
    assert run.returncode == 1, run.stdout + run.stderr
    return run.stdout


@pytest.mark.parametrize("module", STRAYS)
def test_a_stray_import_breaks_its_contract(verdict_on_strays, module):
    target, contract = STRAYS[module]
    assert f"{contract} BROKEN" in verdict_on_strays
    assert f"{module} -> {target}" in verdict_on_strays


def test_import_qca_costs_nothing_and_needs_no_screen():
    assert not loaded_after("import qca") & (HEAVY | GUI)


def test_the_measuring_library_needs_no_screen():
    loaded = loaded_after("import qca.pipeline, qca.frames, qca.document, qca.report.html, qca.sizing, qca.phantom")
    assert "numpy" in loaded
    assert not loaded & GUI


def test_every_package_says_that_it_is_typed():
    for package in ("calib", "qca", "ui"):
        assert (ROOT / package / "py.typed").exists()


def test_every_folder_of_modules_is_a_package():
    for package in ("calib", "qca", "ui"):
        for source in (ROOT / package).rglob("*.py"):
            if "migrations" not in source.parts:  # Alembic loads those by their path
                assert (source.parent / "__init__.py").exists(), f"{source.parent} has no __init__.py"


def test_no_drawer_for_odds_and_ends():
    for package in ("calib", "qca", "ui"):
        names = {source.stem for source in (ROOT / package).rglob("*.py")}
        assert not names & {"utils", "util", "misc", "helpers", "helper", "common"}


def test_only_one_opencv_is_asked_for():
    # both distributions write the same cv2/ folder; the later one wins and removing one removes both
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(line for extra in project["optional-dependencies"].values() for line in extra),
    ]
    assert [line for line in wanted if line.startswith("opencv")] == ["opencv-python>=4.9"]


def test_the_screens_library_keeps_its_pin():
    # PySide6 6.12.0 on Python 3.11 drops a reference to True with every Signal(bool).emit and aborts the viewer
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert "PySide6-Essentials>=6.8,<6.12" in project["optional-dependencies"]["desk"]
