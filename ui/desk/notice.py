"""A message in the window."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Notice:
    """A message; ``actions`` are (text of a button, what it does)."""

    text: str
    alarm: bool = False
    actions: tuple[tuple[str, Callable[[], None]], ...] = ()
