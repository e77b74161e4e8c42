"""``qca plan`` and ``qca compare`` as a user runs them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from qca.document import reading_text
from qca.sizing.case import TECHNIQUE_IDS
from qca.sizing.schema import worksheet_schema
from tests.sizing.invented_reading import FULL_CASE, PLENTY, reading
from ui.cli import plan as plan_module
from ui.cli.main import cli

ROOT = Path(__file__).parents[2]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "reading.json").write_text(reading_text(reading()), encoding="utf-8")
    (tmp_path / "after.json").write_text(
        reading_text(reading(limbs={"side": {"ds": 20.0}, "proximal": {"ds": 5.0}}, index=1)), encoding="utf-8"
    )
    (tmp_path / "pixels.json").write_text(reading_text(reading(scale=False)), encoding="utf-8")
    (tmp_path / "devices.csv").write_text(PLENTY, encoding="utf-8")
    (tmp_path / "empty.csv").write_text(PLENTY.partition("\n")[0], encoding="utf-8")
    (tmp_path / "picks.json").write_text('{"schema": "qca.picks/1", "side": [1, 2]}', encoding="utf-8")
    (tmp_path / "worksheet.json").write_text('{"schema": "qca.worksheet/1"}', encoding="utf-8")
    (tmp_path / "case.toml").write_text(FULL_CASE, encoding="utf-8")
    (tmp_path / "rules.toml").write_text("[thresholds]\nt_angle = 60\n", encoding="utf-8")
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(cli, [str(part) for part in arguments])


def full(folder, *more):
    return run(
        "plan", folder / "reading.json", "--devices", folder / "devices.csv", "--case", folder / "case.toml", *more
    )


def test_the_table_on_the_terminal(folder):
    result = full(folder)
    assert result.exit_code == 0
    assert "Techniques by the numbers" in result.stdout
    assert "name a technique" in result.stdout


def test_json_alone_on_standard_output(folder):
    result = full(folder, "--json", "--rules", folder / "rules.toml", "--use", "main_stent=main")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    jsonschema.validate(document, worksheet_schema())
    assert document["devices"]["fixed"] == {"main_stent": "main"}
    assert document["rules"]["thresholds"] == {"t_angle": 60.0}
    assert len(document["reading"]["sha256"]) == 64


def test_files_are_written_and_named_on_standard_error(folder):
    result = full(folder, "--out", folder / "out", "--technique", "t")
    assert result.exit_code == 0
    assert {path.name for path in (folder / "out").iterdir()} == {"worksheet.json", "worksheet.html"}
    assert "worksheet.html" in result.stderr
    assert "wrote" not in result.stdout
    assert (folder / "out" / "worksheet.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_conflicts_come_first(folder):
    (folder / "devices.csv").write_text(PLENTY.replace("main,2.75,30,4.5", "main,2.75,30,3.0"), encoding="utf-8")
    result = full(folder, "--use", "main_stent=main")
    assert result.stdout.index("What speaks against") < result.stdout.index("Measured")
    assert "3.00 mm" in result.stdout.split("Measured")[0]


def test_devices_and_case_are_optional(folder):
    result = run("plan", folder / "reading.json")
    assert result.exit_code == 0
    assert "targets only" in " ".join(result.stdout.split())


@pytest.mark.parametrize(("arguments", "code", "words"), [
    (["plan", "pixels.json"], 1, "no scale"),
    (["plan", "nothing.json"], 1, "Cannot read the reading"),
    (["plan", "devices.csv"], 1, "devices.csv"),
    (["plan", "reading.json", "--devices", "case.toml"], 1, "case.toml: row 1"),
    (["plan", "reading.json", "--case", "devices.csv"], 1, "devices.csv: cannot be read as TOML"),
    (["plan", "reading.json", "--rules", "case.toml"], 1, "'site' is not known"),
    (["plan", "reading.json", "--devices", "devices.csv", "--use", "main_stent=none"], 1, "is not in devices.csv"),
    (["plan", "reading.json", "--use", "main_stent=main"], 1, "none was given"),
    (["plan", "reading.json", "--devices", "."], 2, "is a directory"),
    (["plan", "reading.json", "--use", "main_stent"], 2, "no ROLE=LABEL"),
    (["plan", "reading.json", "--use", "main_stent=a", "--use", "main_stent=b"], 2, "given twice"),
    (["plan", "reading.json", "--technique", "crush"], 2, "mini_crush"),
    (["plan"], 2, "Missing argument"),
    (["plan", "picks.json"], 1, "picks become one by  qca measure FRAME --picks picks.json --out DIR"),
    (["plan", "worksheet.json"], 1, "give the reading.json that  qca measure --out DIR  writes"),
    (["plan", "reading.json", "--devices", "empty.csv"], 1, "no device: write one device per row, or leave --devices"),
    (["compare", "reading.json", "pixels.json"], 1, "no scale"),
    (["compare", "reading.json", "nothing.json"], 1, "Cannot read"),
    (["compare", "reading.json", "after.json", "--stent", "main=0,5"], 2, "LIMB=FROM,TO"),
    (["compare", "reading.json", "after.json", "--stent", "side=5,2"], 2, "LIMB=FROM,TO"),
    (["compare", "reading.json", "after.json", "--stent", "side=0,nan"], 2, "LIMB=FROM,TO"),
])  # fmt: skip
def test_mistakes_end_in_one_sentence(folder, monkeypatch, arguments, code, words):
    monkeypatch.chdir(folder)
    result = run(*arguments, "--out", "out")
    assert result.exit_code == code
    assert words in result.stderr
    assert result.stdout == ""
    assert not (folder / "out").exists()
    if code == 1:
        assert result.stderr.startswith("qca: ")
        assert result.stderr.count("\n") == 1


def test_a_file_that_is_not_utf_8(folder):
    (folder / "devices.csv").write_bytes(PLENTY.encode() + b"\xff\xfe")
    result = full(folder)
    assert result.exit_code == 1
    assert "not UTF-8" in result.stderr


def test_an_output_folder_that_is_a_file(folder):
    (folder / "out").write_text("x", encoding="utf-8")
    for place in (folder / "out", folder / "out" / "deeper"):
        for command in (["plan", folder / "reading.json"], ["compare", folder / "reading.json", folder / "after.json"]):
            result = run(*command, "--out", place)
            assert result.exit_code == 1
            assert "Cannot write" in result.stderr
            assert result.stdout == ""


@pytest.mark.parametrize("command", [["plan", "reading.json"], ["compare", "reading.json", "after.json"]])
def test_an_output_folder_without_a_name(folder, monkeypatch, command):
    monkeypatch.chdir(folder)
    result = run(*command, "--out", "")
    assert result.exit_code == 2
    assert "the folder's name is empty" in result.stderr


def test_compare_on_the_terminal_and_as_json(folder):
    files = (folder / "reading.json", folder / "after.json")
    text = run("compare", *files, "--stent", "side=0,8")
    assert text.exit_code == 0
    assert "acute gain" in text.stdout
    result = run("compare", *files, files[1], "--json", "--out", folder / "out")
    assert json.loads(result.stdout)["schema"] == "qca.comparison/1"
    assert (folder / "out" / "comparison.json").read_text(encoding="utf-8") == result.stdout
    assert "Before, after, later" in (folder / "out" / "comparison.html").read_text(encoding="utf-8")


def test_the_command_names_the_same_techniques_as_the_library():
    assert plan_module._TECHNIQUES == TECHNIQUE_IDS


def test_help_imports_nothing_heavy():
    code = "import sys; from ui.cli.plan import plan; from ui.cli.compare import compare; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "False"


def test_the_sample_reading_through_to_a_worksheet(tmp_path):
    """The shipped sample with its picks, the demo devices and the demo case."""
    samples = ROOT / "sample_images"
    measured = run("measure", samples / "bifurcation.dcm", "--picks", samples / "bifurcation.picks.json", "--json")
    assert measured.exit_code == 0
    (tmp_path / "reading.json").write_text(measured.stdout, encoding="utf-8")
    result = run("plan", tmp_path / "reading.json", "--devices", samples / "demo_devices.csv", "--case",
                 samples / "demo_case.toml", "--json")  # fmt: skip
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    jsonschema.validate(document, worksheet_schema())
    truth = json.loads((samples / "bifurcation.truth.json").read_text(encoding="utf-8"))
    main = next(one for one in document["sizes"] if one["role"] == "main_stent")
    assert main["low_mm"] - 0.05 < truth["limbs"]["distal"]["reference_mm"] < main["high_mm"] + 0.05
