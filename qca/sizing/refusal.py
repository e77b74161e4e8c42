"""The one way a file of the user's is refused: its name, the place, what is wrong, in one sentence."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import NoReturn

from qca.errors import InputError


def refuse(name: str, problem: str) -> NoReturn:
    """Refuse a file.

    Raises
    ------
    InputError
        Always.
    """
    msg = f"{name}: {problem}" if problem.endswith("?") else f"{name}: {problem}."
    raise InputError(msg, file=name)


def nearest(word: str, known: Iterable[str]) -> str:
    """Hint at the known name that a wrong one probably meant."""
    names = list(known)
    near = difflib.get_close_matches(word, names, n=1)
    return f"did you mean {near[0]!r}?" if near else f"known are {', '.join(names)}"
