"""The command starts fast, lists what is there, and tells usage from input."""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path

import click
import pytest

import qca as qca_package
from ui.cli.main import COMMANDS, cli

ROOT = Path(__file__).parent.parent.parent
HERE = [name for name in COMMANDS if (ROOT / "ui" / "cli" / f"{name}.py").exists()]

HEAVY = {"numpy", "scipy", "cv2", "skimage", "pydicom", "jinja2", "matplotlib", "sqlalchemy", "imagecodecs", "PIL"}
GUI = {"napari", "qtpy", "PySide6", "pyqtgraph", "vispy"}


def loaded_after(code):
    script = f"{code}\nimport sys\nprint('\\n'.join(sorted({{name.partition('.')[0] for name in sys.modules}})))"
    run = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True, cwd=ROOT)
    return set(run.stdout.splitlines())


def test_help_imports_nothing_heavy():
    code = "from ui.cli.main import cli\ntry:\n    cli(['--help'])\nexcept SystemExit: pass"
    loaded = loaded_after(code)
    assert not loaded & (HEAVY | GUI)


def test_the_help_of_every_command_imports_nothing_heavy():
    lines = [f"try:\n    cli([{name!r}, '--help'])\nexcept SystemExit: pass" for name in HERE]
    loaded = loaded_after("from ui.cli.main import cli\n" + "\n".join(lines))
    assert not loaded & (HEAVY | GUI)


@pytest.mark.parametrize("name", HERE)
def test_a_command_is_where_the_table_says(name, qca):
    command = getattr(importlib.import_module(f"ui.cli.{name}"), name)
    assert isinstance(command, click.Command)
    assert command.get_short_help_str(200)
    code, out, _ = qca(name, "--help")
    assert code == 0
    assert out.startswith(f"Usage: qca {name}")


def test_help_lists_the_commands_and_the_caution(qca):
    code, out, err = qca("--help")
    assert code == 0
    assert not err
    listed = [
        line.split()[0]
        for line in out.partition("Commands:\n")[2].splitlines()
        if line.startswith("  ") and line[2] != " "
    ]
    assert listed[: len(HERE)] == HERE
    assert " ".join(qca_package.CAUTION.split()) in " ".join(out.split())


def test_version(qca):
    assert qca("--version") == (0, f"qca, version {qca_package.__version__}\n", "")


@pytest.mark.parametrize(
    "arguments", [("nonsense",), ("--nonsense",), ("measure",), ("measure", "x.png", "--nonsense")]
)
def test_wrong_usage_is_exit_code_2(qca, arguments):
    code, out, err = qca(*arguments)
    assert code == 2
    assert not out
    assert "Usage: qca" in err


def test_the_installed_script_runs():
    script = Path(sys.executable).with_name("qca")
    run = subprocess.run([str(script), "--version"], check=True, capture_output=True, text=True)
    assert qca_package.__version__ in run.stdout


def test_the_module_runs_where_the_script_is_not_on_the_path():
    run = subprocess.run([sys.executable, "-m", "ui.cli", "--version"], check=True, capture_output=True, text=True)
    assert qca_package.__version__ in run.stdout


def test_a_missing_extra_is_one_sentence(qca, monkeypatch):
    def broken(name):
        raise ModuleNotFoundError(f"No module named {name!r}", name="napari.viewer")

    monkeypatch.setattr("ui.cli.main.import_module", broken)
    code, out, err = qca("measure", "x")
    assert code == 1
    assert not out
    assert err == (
        "qca: This needs the package napari, which is not installed: run  python -m pip install -e '.[desk]'  "
        "in the folder of qca.\n"
    )


def test_our_own_mistakes_are_not_hidden(qca, monkeypatch):
    def broken(name):
        raise ModuleNotFoundError("No module named 'qca.tyop'", name="qca.tyop")

    monkeypatch.setattr("ui.cli.main.import_module", broken)
    with pytest.raises(ModuleNotFoundError, match=r"qca\.tyop"):
        qca("measure", "x")


def test_a_closed_pipe_is_no_traceback():
    command = f"{sys.executable} -m ui.cli --help | true"
    run = subprocess.run(["sh", "-c", command], capture_output=True, text=True, cwd=ROOT)
    assert "Traceback" not in run.stderr


def test_the_group_is_one_object():
    assert isinstance(cli, click.Group)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's /dev/full")
@pytest.mark.parametrize("arguments", [["--help"], ["measure", "--help"]])
def test_an_output_that_cannot_be_written_is_one_sentence(arguments):
    with Path("/dev/full").open("w") as full:
        run = subprocess.run(
            [sys.executable, "-m", "ui.cli", *arguments], stdout=full, stderr=subprocess.PIPE, text=True, cwd=ROOT
        )
    assert run.returncode == 1
    assert run.stderr.startswith("qca: The output cannot be written (No space left on device)")
    assert run.stderr.count("\n") == 1


def test_a_command_that_is_stopped_does_not_look_like_an_input_that_cannot_be_measured(qca, monkeypatch):
    sample = ROOT / "sample_images" / "bifurcation"

    def stopped(*_arguments, **_named):
        raise KeyboardInterrupt

    monkeypatch.setattr("qca.pipeline.measure", stopped)
    code, out, err = qca("measure", f"{sample}.dcm", "--picks", f"{sample}.picks.json")
    assert (code, out) == (130, "")
    assert err == "qca: stopped before it was done: the same line does it again.\n"
