"""What is written by a program, not by hand: blocks of the pages, JSON Schemas and the picture in qca/documents/.

::

    python .ci/generated.py            write all of it anew (make generated)
    python .ci/generated.py --check    exit code 1 if something is out of date; a test runs the same

What the demo prints and its picture hold measured numbers, whose last digit another machine may round otherwise; they
are written, not checked. The accuracy section comes from  qca validate --into README.md.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL import Image

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / ".ci")]

import generated_tables as tables  # noqa: E402 - beside this script

PICTURE = ROOT / "qca" / "documents" / "bifurcation.png"
_CAUTION_START = "For research, teaching"


def pages() -> dict[str, dict[str, str]]:
    """Page to its blocks, by name."""
    return {
        "README.md": {
            "commands": tables.help_text(),
            "measure": tables.help_text("measure"),
            "profile": tables.profile_table(),
            "quantities": tables.quantities_table(),
            "flags": tables.flags_table(),
            "settings": tables.settings_table(),
        },
        "qca/documents/sizing.md": {
            "plan": tables.help_text("plan"),
            "compare": tables.help_text("compare"),
            "devices": tables.devices_table(),
            "case": tables.case_table(),
            "roles": tables.roles_table(),
            "rules": tables.rules_table(),
            "planning": tables.planning_table(),
            "laws": tables.laws_table(),
        },
    }


def schemas() -> dict[str, str]:
    """File in qca/documents/ to its text."""
    from qca.change.schema import comparison_schema
    from qca.document import reading_schema
    from qca.json_text import write_json
    from qca.picks_file import picks_schema
    from qca.sizing.schema import overrides_schema, worksheet_schema

    written = {
        "reading": reading_schema(),
        "picks": picks_schema(),
        "worksheet": worksheet_schema(),
        "rules": overrides_schema(),
        "comparison": comparison_schema(),
    }
    return {f"{name}.schema.json": write_json(schema) for name, schema in written.items()}


def _palette() -> Image.Image:
    """256 colours for a grey picture with lines in the limbs' inks: greys, and each ink mixed into some of them.

    A palette chosen by frequency has hardly anything but greys, and turns the inks into greys, too.
    """
    from PIL import Image

    from qca.report.palette import INKS, rgb

    greys = [round(255 * k / 150) for k in range(151)]
    inks = [rgb(INKS[name].colour) for name in ("proximal", "distal", "side")]
    mixed = [
        tuple(round(share * part + (1 - share) * grey) for part in ink)
        for ink in inks
        for grey in (30, 80, 130, 190, 255)
        for share in (1.0, 0.85, 0.7, 0.55, 0.4, 0.25, 0.12)
    ]
    colours = [(grey, grey, grey) for grey in greys] + mixed
    palette = Image.new("P", (1, 1))
    palette.putpalette([part for colour in colours for part in colour])
    return palette


def results() -> dict[str, str]:
    """Run the demo: name of a block of README.md that holds measured numbers to its text; writes the picture too."""
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
    small.quantize(palette=_palette(), dither=Image.Dither.NONE).save(buffer, "PNG", optimize=True)
    PICTURE.write_bytes(buffer.getvalue())
    numbers, _, rest = output.partition("Reading of a bifurcation")[2].partition(_CAUTION_START)
    sheet = rest.partition("\n\n")[2].partition("\nWritten:")[0]
    return {
        "demo table": f"```\nReading of a bifurcation{numbers.rstrip()}\n```",
        "demo worksheet": f"```\n{sheet.strip()}\n```",
    }


def filled(page: str, text: str, contents: dict[str, str]) -> str:
    """Fill blocks of a page anew.

    Raises
    ------
    ValueError
        If a block has no place in the text.
    """
    for name, content in contents.items():
        pattern = re.compile(f"(<!-- generated: {name} -->\n).*?(<!-- end: {name} -->)", re.DOTALL)
        text, count = pattern.subn(lambda match, content=content: match[1] + content + "\n" + match[2], text)
        if count != 1:
            msg = f"{page} needs the block {name!r} once, found {count}"
            raise ValueError(msg)
    return text


def expected() -> dict[Path, str]:
    """Every generated file with the text that it should have."""
    texts = {ROOT / "qca" / "documents" / name: text for name, text in schemas().items()}
    for page, contents in pages().items():
        texts[ROOT / page] = filled(page, (ROOT / page).read_text(encoding="utf-8"), contents)
    return texts


def main() -> int:
    """Write or check."""
    check = "--check" in sys.argv
    if not check:
        readme = ROOT / "README.md"
        readme.write_text(filled("README.md", readme.read_text(encoding="utf-8"), results()), encoding="utf-8")
    stale = {
        path: text for path, text in expected().items() if not path.exists() or path.read_text(encoding="utf-8") != text
    }
    for path, text in stale.items():
        print(f"{'out of date' if check else 'written'}: {path.relative_to(ROOT)}")
        if not check:
            path.write_text(text, encoding="utf-8")
    return 1 if stale and check else 0


if __name__ == "__main__":
    sys.exit(main())
