"""The desk's tests run apart and are reported together: nothing may get lost on the way."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
RECORDED = ROOT / ".ci" / "recorded.py"

APART = """
import os, pytest
def test_passes(): pass
def test_is_skipped(): pytest.skip("a reason")
def test_fails(): assert 1 == 2, "a difference"
@pytest.mark.xfail
def test_is_expected_to_fail(): assert 0
def test_crashes():
    if os.environ.get("CRASH"):
        os._exit(139)
"""


@pytest.fixture
def project(tmp_path):
    (tmp_path / "tests" / "desk").mkdir(parents=True)
    (tmp_path / "tests" / "sums").mkdir()
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path / "tests")
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    (tmp_path / "tests" / "sums" / "test_sums.py").write_text("def test_sum(): assert 1 + 1 == 2\n")
    return tmp_path


def run(project, *arguments, **environment):
    import os

    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *arguments]
    return subprocess.run(command, cwd=project, capture_output=True, text=True, env={**os.environ, **environment})


def together(project):
    return run(project, "--replay=build/desk.jsonl")


def left_out(project):
    command = [sys.executable, str(RECORDED), "nothing-left-out", "build/desk.jsonl", "tests/desk"]
    return subprocess.run(command, cwd=project, capture_output=True, text=True)


def test_reports_are_counted_and_shown(project):
    (project / "tests" / "desk" / "test_apart.py").write_text(APART)
    run(project, "tests/desk", "--record=build/desk.jsonl")
    both = together(project)
    assert both.returncode == 1
    assert "1 failed, 3 passed, 1 skipped, 1 xfailed" in both.stdout.splitlines()[-1]
    assert "a difference" in both.stdout
    assert "a reason" in both.stdout


def test_a_crash_is_a_failure_with_a_name(project):
    (project / "tests" / "desk" / "test_apart.py").write_text(APART.replace("assert 1 == 2", "assert 2 == 2"))
    run(project, "tests/desk", "--record=build/desk.jsonl", CRASH="1")
    both = together(project)
    assert both.returncode == 1
    assert "ended in the middle of tests/desk/test_apart.py::test_crashes" in both.stdout
    assert "1 failed" in both.stdout.splitlines()[-1]


def test_a_file_that_cannot_be_imported_is_an_error(project):
    (project / "tests" / "desk" / "test_apart.py").write_text("import no_such_module_anywhere\n")
    run(project, "tests/desk", "--record=build/desk.jsonl")
    both = together(project)
    assert both.returncode == 1
    assert "no_such_module_anywhere" in both.stdout
    assert "1 error" in both.stdout.splitlines()[-1]


def test_all_is_well(project):
    (project / "tests" / "desk" / "test_apart.py").write_text("def test_passes(): pass\n")
    run(project, "tests/desk", "--record=build/desk.jsonl")
    both = together(project)
    assert both.returncode == 0
    assert "2 passed" in both.stdout.splitlines()[-1]
    assert left_out(project).returncode == 0


def test_what_is_left_out_is_said_and_refused_where_it_counts(project):
    (project / "tests" / "desk" / "test_apart.py").write_text("def test_passes(): pass\n")
    command = [sys.executable, str(RECORDED), "leave-out", "build/desk.jsonl", "tests/desk", "there is no screen"]
    subprocess.run(command, cwd=project, check=True)
    both = together(project)
    assert both.returncode == 0
    assert "there is no screen" in both.stdout
    assert "1 passed, 1 skipped" in both.stdout.splitlines()[-1]
    assert left_out(project).returncode == 1


def test_a_skipped_test_is_refused_where_it_counts(project):
    (project / "tests" / "desk" / "test_apart.py").write_text(APART)
    run(project, "tests/desk", "--record=build/desk.jsonl")
    refused = left_out(project)
    assert refused.returncode == 1
    assert "test_is_skipped" in refused.stderr


def test_no_record_is_refused_where_it_counts(project):
    (project / "tests" / "desk" / "test_apart.py").write_text(APART)
    assert left_out(project).returncode == 1


def test_nothing_to_run_is_fine(project):
    assert left_out(project).returncode == 0
