"""What is written by a program, not by hand: tables and help in README.md, the JSON Schemas in docs/.

::

    python .ci/generated.py            write all of it anew (make generated)
    python .ci/generated.py --check    exit code 1 if something is out of date; a test runs the same
"""

from __future__ import annotations

import dataclasses
import re
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
WIDTH = 100


def cell(text: object) -> str:
    """Make a text safe inside a Markdown table."""
    return str(text).replace("|", "\\|").replace("\n", " ")


def table(head: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """Write a Markdown table."""
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join("| " + " | ".join(cell(item) for item in line) + " |" for line in lines)


def settings_table() -> str:
    """Every setting with its value, unit, reason and source."""
    from qca.settings import Settings

    rows = [
        (
            f"`{field.name}`",
            field.default if not isinstance(field.default, float) else f"{field.default:g}",
            field.metadata["unit"],
            field.metadata["reason"],
            field.metadata["source"],
        )
        for field in dataclasses.fields(Settings)
    ]
    return table(("Setting", "Value", "Unit", "What it is", "Source"), rows)


def quantities_table() -> str:
    """Every number of a limb with its field and its meaning."""
    from qca.report.quantities import QUANTITIES

    rows = [(item.title, f"`{item.field(in_mm=True)}`", item.unit(in_mm=True), item.meaning) for item in QUANTITIES]
    return table(("Number", "Field in reading.json", "Unit", "Meaning"), rows)


def flags_table() -> str:
    """Every flag with its code, its name and what it means."""
    from qca.flags import FLAGS

    rows = [
        (f"`{flag.code}`", flag.name, flag.long, flag.advice, "no" if flag.untrusted else "yes")
        for flag in FLAGS.values()
    ]
    return table(("Code", "Name", "What it means", "What to do", "Number still usable"), rows)


def help_text(*arguments: str) -> str:
    """Show the help of a command as a terminal does."""
    from click.testing import CliRunner

    from ui.cli.main import cli

    result = CliRunner().invoke(cli, [*arguments, "--help"], prog_name="qca", terminal_width=WIDTH)
    return f"```\n{result.output.rstrip()}\n```"


def blocks() -> dict[str, str]:
    """Name of a block in README.md to its text."""
    return {
        "commands": help_text(),
        "measure": help_text("measure"),
        "quantities": quantities_table(),
        "flags": flags_table(),
        "settings": settings_table(),
    }


def schemas() -> dict[str, str]:
    """File in docs/ to its text."""
    from qca.document import reading_schema
    from qca.json_text import write_json
    from qca.picks_file import picks_schema

    return {"reading.schema.json": write_json(reading_schema()), "picks.schema.json": write_json(picks_schema())}


def filled(text: str) -> str:
    """Fill the blocks of README.md anew.

    Raises
    ------
    ValueError
        If a block has no place in the text.
    """
    for name, content in blocks().items():
        pattern = re.compile(f"(<!-- generated: {name} -->\n).*?(<!-- end: {name} -->)", re.DOTALL)
        text, count = pattern.subn(lambda match, content=content: match[1] + content + "\n" + match[2], text)
        if count != 1:
            msg = f"README.md needs the block {name!r} once, found {count}"
            raise ValueError(msg)
    return text


def expected() -> dict[Path, str]:
    """Every generated file with the text that it should have."""
    readme = ROOT / "README.md"
    return {
        readme: filled(readme.read_text(encoding="utf-8")),
        **{ROOT / "docs" / name: text for name, text in schemas().items()},
    }


def main() -> int:
    """Write or check."""
    stale = [path for path, text in expected().items() if not path.exists() or path.read_text(encoding="utf-8") != text]
    for path in stale:
        print(f"{'out of date' if '--check' in sys.argv else 'written'}: {path.relative_to(ROOT)}")
        if "--check" not in sys.argv:
            path.write_text(expected()[path], encoding="utf-8")
    return 1 if stale and "--check" in sys.argv else 0


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main())
