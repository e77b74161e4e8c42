"""Text from files and people, made harmless to show: one line, no control, no invisible or direction-changing letters.

HTML escaping is a second, separate step and done by the template and by the SVG builder.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping, Sequence

_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories that a reader cannot see: control, format (bidirectional overrides among them), surrogates,
private use, unassigned, line and paragraph separators."""

_LONGEST = 400
"""Longer text is cut; a file name is at most 255 bytes."""


def plain(text: object, longest: int = _LONGEST) -> str:
    r"""Show hidden characters as escapes and cut what is absurdly long.

    Parameters
    ----------
    text : object
        Anything; converted by ``str``.
    longest : int
        Characters kept.

    Returns
    -------
    str
        Printable text on one line. An escape character becomes the four visible characters ``\x1b``.
    """
    shown = "".join(_visible(c) for c in str(text)[: longest + 1])
    return shown if len(shown) <= longest else shown[:longest] + "…"


def _visible(character: str) -> str:
    if unicodedata.category(character) not in _HIDDEN:
        return character
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


_UNITS = frozenset({"px", "mm", "deg", "ms", "percent"})
_SHORT_FORMS = {"sd": "SD", "chi2": "chi²"}


def plain_title(key: str) -> str:
    """Turn the name of a value into words, its unit last: ``width_sd_px`` becomes ``width SD, px``."""
    words = [_SHORT_FORMS.get(word, word) for word in plain(key).split("_")]
    if len(words) > 1 and words[-1] in _UNITS:
        per = words[-2] == "per"
        unit = f"per {words[-1]}" if per else words[-1]
        return f"{' '.join(words[: -2 if per else -1])}, {unit}"
    return " ".join(words)


def plain_value(value: object) -> str:
    """Write a JSON-able value as short text, numbers with at most six digits.

    Returns
    -------
    str
        ``"not known"`` for None and NaN.
    """
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}" if math.isfinite(value) else "not known"
    if isinstance(value, Mapping):
        return plain("; ".join(f"{k}: {plain_value(v)}" for k, v in value.items()))
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return plain(", ".join(plain_value(v) for v in value))
    return plain(value)
