"""What is written by a program, not by hand: tables and help in README.md, the JSON Schemas and the picture in docs/.

::

    python .ci/generated.py            write all of it anew (make generated)
    python .ci/generated.py --check    exit code 1 if something is out of date; a test runs the same

What the demo prints and its picture hold measured numbers, whose last digit another machine may round otherwise; they
are written, not checked.
"""

from __future__ import annotations

import dataclasses
import re
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
WIDTH = 100
PICTURE = ROOT / "docs" / "bifurcation.png"
CAUTION_START = "For research, teaching"


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


def profile_table() -> str:
    """Every column of profile.csv with its meaning."""
    from qca.report.profile import PROFILE_COLUMNS

    return table(("Column", "Meaning"), [(f"`{name}`", meaning) for name, meaning in PROFILE_COLUMNS.items()])


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
        "profile": profile_table(),
        "quantities": quantities_table(),
        "flags": flags_table(),
        "settings": settings_table(),
    }


def results() -> dict[str, str]:
    """Name of a block that holds measured numbers to its text; writes the picture too."""
    import io
    import tempfile

    from click.testing import CliRunner
    from PIL import Image

    from ui.cli.main import cli

    with tempfile.TemporaryDirectory() as folder:
        output = CliRunner().invoke(cli, ["demo", "--out", folder], catch_exceptions=False).output
        picture = Image.open(Path(folder) / "overlay.png").convert("RGB")
        picture.load()
    small = picture.resize((900, round(picture.height * 900 / picture.width)), Image.Resampling.LANCZOS)
    buffer = io.BytesIO()
    small.quantize(256).save(buffer, "PNG", optimize=True)
    PICTURE.write_bytes(buffer.getvalue())
    numbers, _, rest = output.partition("Reading of a bifurcation")[2].partition(CAUTION_START)
    sheet = rest.partition("\n\n")[2].partition("\nWritten:")[0]
    return {
        "demo table": f"```\nReading of a bifurcation{numbers.rstrip()}\n```",
        "demo worksheet": f"```\n{sheet.strip()}\n```",
    }


def schemas() -> dict[str, str]:
    """File in docs/ to its text."""
    from qca.document import reading_schema
    from qca.json_text import write_json
    from qca.picks_file import picks_schema

    return {"reading.schema.json": write_json(reading_schema()), "picks.schema.json": write_json(picks_schema())}


def filled(text: str, contents: dict[str, str]) -> str:
    """Fill blocks of README.md anew.

    Raises
    ------
    ValueError
        If a block has no place in the text.
    """
    for name, content in contents.items():
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
        readme: filled(readme.read_text(encoding="utf-8"), blocks()),
        **{ROOT / "docs" / name: text for name, text in schemas().items()},
    }


def main() -> int:
    """Write or check."""
    if "--check" not in sys.argv:
        readme = ROOT / "README.md"
        readme.write_text(filled(readme.read_text(encoding="utf-8"), results()), encoding="utf-8")
    stale = [path for path, text in expected().items() if not path.exists() or path.read_text(encoding="utf-8") != text]
    for path in stale:
        print(f"{'out of date' if '--check' in sys.argv else 'written'}: {path.relative_to(ROOT)}")
        if "--check" not in sys.argv:
            path.write_text(expected()[path], encoding="utf-8")
    return 1 if stale and "--check" in sys.argv else 0


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main())
