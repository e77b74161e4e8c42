"""The command line's way to write a point and a setting."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from qca.settings import Settings


class PointType(click.ParamType):  # type: ignore[type-arg]  # generic in newer versions only
    """``X,Y`` in stored pixels: x is the column, y the row, an integer is a pixel centre."""

    name = "X,Y"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:  # noqa: ANN401
        """Turn ``"12.5,40"`` into ``(12.5, 40.0)``."""
        if isinstance(value, tuple):
            return value
        parts = str(value).split(",")
        try:
            x, y = (float(part) for part in parts)
        except ValueError:
            self.fail(f"{value!r} is not a point; write column,row without a space, such as 211.5,96.", param, ctx)
        return (x, y)


POINT = PointType()


def with_changes(settings: Settings, changes: tuple[str, ...]) -> Settings:
    """Apply ``NAME=VALUE`` changes to the settings.

    Raises
    ------
    click.BadParameter
        If a name is unknown, or a value is not a number of the right kind or outside the setting's range.
    """
    known = {field.name: getattr(settings, field.name) for field in dataclasses.fields(settings)}
    chosen: dict[str, Any] = {}
    for change in changes:
        name, equals, text = change.partition("=")
        if not equals and name in known:
            msg = f"{change!r} lacks its value: write {name}=VALUE, such as {name}={known[name]}."
            raise click.BadParameter(msg, param_hint="--set")
        if not equals or name not in known:
            import difflib

            near = difflib.get_close_matches(name, known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else "README.md lists the settings."
            msg = f"{change!r} is no NAME=VALUE of a known setting; {hint}"
            raise click.BadParameter(msg, param_hint="--set")
        chosen[name] = _like(known[name], text, change)
    try:
        return dataclasses.replace(settings, **chosen)
    except ValueError as error:
        msg = f"{error}."
        raise click.BadParameter(msg, param_hint="--set") from error


def _like(default: object, text: str, change: str) -> object:
    """Read ``text`` as a value of the default's kind; NaN and infinity are no settings."""
    import math

    try:
        if isinstance(default, bool):
            return {"true": True, "false": False}[text.lower()]
        if isinstance(default, int):
            return int(text)
        if isinstance(default, float):
            value = float(text)
            if math.isfinite(value):
                return value
    except (KeyError, ValueError):
        pass
    else:
        if isinstance(default, str):
            return text
    msg = f"{change!r}: the value must be like {default!r}."
    raise click.BadParameter(msg, param_hint="--set")
