"""Markdown tables and help texts, each from the one place in the code that holds the facts."""

from __future__ import annotations

import dataclasses
import typing

WIDTH = 100


def cell(text: object) -> str:
    """Make a text safe inside a Markdown table."""
    return str(text).replace("|", "\\|").replace("\n", " ")


def table(head: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """Write a Markdown table."""
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join("| " + " | ".join(cell(item) for item in line) + " |" for line in lines)


def number(value: object) -> str:
    """Write a default as a person would."""
    return f"{value:g}" if isinstance(value, float) else str(value)


def help_text(*arguments: str) -> str:
    """Show the help of a command as a terminal does."""
    from click.testing import CliRunner

    from ui.cli.main import cli

    result = CliRunner().invoke(cli, [*arguments, "--help"], prog_name="qca", terminal_width=WIDTH)
    return f"```\n{result.output.rstrip()}\n```"


def settings_table() -> str:
    """Every setting with its value, unit, reason and source."""
    from qca.settings import Settings

    rows = []
    for field in dataclasses.fields(Settings):
        low, high = field.metadata["range"]
        name, value = f"`{field.name}`", number(field.default)
        rows.append(
            (name, value, f"{low:g} to {high:g}", *(field.metadata[key] for key in ("unit", "reason", "source")))
        )
    return table(("Setting", "Value", "Can be", "Unit", "What it is", "Source"), rows)


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
    """Every flag with its code, its name, what it means and what to do."""
    from qca.flags import FLAGS

    rows = [
        (f"`{flag.code}`", flag.name, flag.long, flag.advice, "no" if flag.untrusted else "yes")
        for flag in FLAGS.values()
    ]
    return table(("Code", "Name", "What it means", "What to do", "Number still usable"), rows)


def devices_table() -> str:
    """Columns of the device table."""
    from qca.sizing.devices import COLUMNS, OPTIONAL_COLUMNS

    rows = [(f"`{name}`", meaning) for name, meaning in COLUMNS.items()]
    rows += [(f"`{name}` (may be left out)", meaning) for name, meaning in OPTIONAL_COLUMNS.items()]
    return table(("Column", "What stands in it"), rows)


def case_table() -> str:
    """Keys of the case file."""
    from qca.sizing.case import Case

    kinds = typing.get_type_hints(Case)
    rows = []
    for field in dataclasses.fields(Case):
        choices, (low, high) = field.metadata["choices"], field.metadata["range"]
        kind = next(item for item in typing.get_args(kinds[field.name]) if item is not type(None))
        values = " / ".join(choices)
        if not choices:
            words = {bool: "true / false", int: f"whole number, {low:g} to {high:g}", float: f"{low:g} to {high:g}"}
            values = words.get(kind, "text")
        rows.append((f"`{field.name}`", field.metadata["meaning"], values))
    return table(("Key", "Fact", "Values"), rows)


def roles_table() -> str:
    """Roles that ``--use`` can fill."""
    from qca.sizing.needs import ROLES

    return table(("Role", "Device", "What it is"), [(f"`{role}`", *texts) for role, texts in ROLES.items()])


def rules_table() -> str:
    """Every sizing rule with its threshold, where it applies and its source."""
    from qca.sizing.rule_table import RULES
    from qca.sizing.rules import SIGNS
    from qca.sizing.techniques import TECHNIQUES

    rows = []
    for rule in RULES.values():
        places: dict[str, list[str]] = {}
        for technique in TECHNIQUES.values():
            for name, weight in technique.rules:
                if name == rule.id:
                    places.setdefault("guidance" if weight.startswith("guidance") else "limit", []).append(technique.id)
        where = "; ".join(
            f"{'all techniques' if len(names) == len(TECHNIQUES) else ', '.join(names)} ({weight})"
            for weight, names in places.items()
        )
        sign = f"{SIGNS[rule.direction]} {rule.threshold_text}"
        rows.append((f"`{rule.id}`", rule.text, sign, where or "lesion, sizes or comparison", rule.source))
    return table(("Rule", "Statement", "Holds when", "Where", "Source"), rows)


def planning_table() -> str:
    """Every planning number with its value and source."""
    from qca.sizing.assumptions import Assumptions

    keys = ("unit", "meaning", "source")
    rows = [
        (f"`{field.name}`", number(field.default), *(field.metadata[key] for key in keys))
        for field in dataclasses.fields(Assumptions)
    ]
    return table(("Number", "Value", "Unit", "What it is", "Source"), rows)


def laws_table() -> str:
    """Every diameter law with its validity."""
    from qca.sizing.laws import LAWS

    rows = [
        (law.name, law.formula, f"{law.lowest_ratio:g} to {law.highest_ratio:g}", law.source) for law in LAWS.values()
    ]
    return table(("Law", "Formula", "Daughter ratio where it agreed", "Source"), rows)
