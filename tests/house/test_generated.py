"""What a program writes is up to date, and the README says what there is."""

from __future__ import annotations

import dataclasses
import importlib.util
import json
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

import qca
from qca.picks_file import picks_to_json
from qca.settings import Settings
from ui.cli.main import COMMANDS

ROOT = Path(__file__).parent.parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def load(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_what_is_generated_is_up_to_date():
    run = subprocess.run(
        [sys.executable, str(ROOT / ".ci" / "generated.py"), "--check"], capture_output=True, text=True, cwd=ROOT
    )
    assert run.returncode == 0, f"run  make generated:\n{run.stdout}{run.stderr}"


def test_a_stale_block_is_noticed():
    generated = load(ROOT / ".ci" / "generated.py")
    stale = README.replace("medina_threshold_percent", "medina_limit")
    assert stale != README
    assert generated.filled("README.md", stale, generated.pages()["README.md"]) == README
    with pytest.raises(ValueError, match="needs the block 'settings' once"):
        generated.filled("README.md", README.replace("<!-- end: settings -->", ""), generated.pages()["README.md"])


@pytest.mark.parametrize("field", dataclasses.fields(Settings), ids=lambda field: field.name)
def test_each_setting_stands_in_the_readme_with_value_unit_reason_and_source(field):
    value = f"{field.default:g}" if isinstance(field.default, float) else str(field.default)
    row = next(line for line in README.splitlines() if line.startswith(f"| `{field.name}` |"))
    cells = [cell.strip() for cell in re.split(r"(?<!\\)\|", row)[1:-1]]
    low, high = field.metadata["range"]
    between = f"{low:g} to {high:g}"
    assert cells[1:] == [
        value,
        between,
        *(str(field.metadata[key]).replace("|", "\\|") for key in ("unit", "reason", "source")),
    ]
    assert field.metadata["reason"]
    assert field.metadata["source"]


@pytest.mark.parametrize("name", [name for name in COMMANDS if (ROOT / "ui" / "cli" / f"{name}.py").exists()])
def test_each_command_stands_in_the_readme(name):
    assert f"qca {name}" in README, f"README.md does not show  qca {name}"


def test_each_option_of_measure_stands_in_the_readme():
    from ui.cli.measure import measure

    for parameter in measure.params:
        for option in parameter.opts:
            assert option in README or parameter.param_type_name == "argument", option


def test_the_caution_stands_in_the_readme():
    assert qca.CAUTION in " ".join(README.replace("\n> ", " ").split())


def test_both_commands_and_the_plain_lines_stand_in_the_readme():
    for line in (
        "make demo",
        "make test",
        "python -m pip install -e .",
        "python3 -m venv .venv",
        "py -3.11 -m venv .venv",
    ):
        assert line in README


def anchors(page):
    """Headings of a page, each as a link names it."""
    prose = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
    headings = re.findall(r"^#+ (.+)$", prose, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


PAGES = (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "qca" / "documents").glob("*.md")))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_and_pictures_of_the_pages_exist(page):
    for target, anchor in re.findall(r"\]\(([^)#]*)(?:#([^)]*))?\)", page.read_text(encoding="utf-8")):
        if target.startswith("http"):
            continue
        place = page.parent / target if target else page
        assert place.exists(), f"{page.name}: {target}"
        assert not anchor or anchor in anchors(place), f"{page.name}: {target}#{anchor}"


def test_each_document_is_linked_from_the_readme_or_the_contributors_guide():
    linked = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for page in (ROOT / "qca" / "documents").glob("*.md"):
        assert f"](qca/documents/{page.name})" in linked, page.name


def test_the_changelog_starts_with_measured_values():
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    versions = re.split(r"^## ", changelog, flags=re.MULTILINE)[1:]
    assert versions[0].startswith(qca.__version__)
    for version in versions:
        assert re.findall(r"^### (.+)$", version, flags=re.MULTILINE)[0] == "Measured values"


def test_the_exported_schemas_take_what_is_written(make_reading):
    from qca.document import reading_to_json

    reading = make_reading()
    for name, document in {
        "reading.schema.json": reading_to_json(reading),
        "picks.schema.json": {"schema": "qca.picks/1", **picks_to_json(reading.picks, only_given=True)},
    }.items():
        schema = json.loads((ROOT / "qca" / "documents" / name).read_text(encoding="utf-8"))
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.validate(document, schema, jsonschema.Draft202012Validator)


@pytest.mark.parametrize("picks", [{"frme": 3}, {"french": "6"}, {"proximal": [1]}, {"edits": [{"kind": "wall"}]}])
def test_the_exported_picks_schema_refuses_what_the_reader_refuses(picks):
    schema = json.loads((ROOT / "qca" / "documents" / "picks.schema.json").read_text(encoding="utf-8"))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(picks, schema, jsonschema.Draft202012Validator)


def test_each_target_of_the_makefile_is_explained():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for target in re.findall(r"^([a-z-]+):", makefile, flags=re.MULTILINE):
        if target not in {"help", "core", "tests-ready", "clean-results"}:
            assert target in README + developers, target


def test_the_scripts_of_ci_are_sound_shell():
    for script in ("run", "environment", "system_packages", "with_display", "desk_tests"):
        path = ROOT / ".ci" / script
        assert path.stat().st_mode & 0o111, f"{script} is not executable"
        subprocess.run(["sh", "-n", str(path)], check=True)
