"""What a worksheet was not told: the missing inputs of many rules in one short list, and where to put them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

_CASE = "case: "
_NO_TABLE = re.compile(r"device table \((.+)\)")
_NO_DEVICE = re.compile(r"a fitting (.+) in the device table")


def missing_text(missing: Iterable[str]) -> str:
    """Say in one list what several rules lack, each input once.

    Parameters
    ----------
    missing : iterable of str
        What each rule lacks, as its judgement says it: ``case: site, lesions``, ``device table (main stent)``.

    Returns
    -------
    str
        ``case: site, lesions; device table: main stent``; empty when nothing is missing.
    """
    return _written(
        missing, {"case": "case: {}", "table": "device table: {}", "device": "a fitting {} in the device table"}
    )


def advice_text(missing: Iterable[str]) -> str:
    """Say what a person can add so that more rules can be told.

    Parameters
    ----------
    missing : iterable of str
        As for `missing_text`; what no file can give, such as an angle, is left out.
    """
    return _written(missing, _ADVICE, rest=False)


_ADVICE = {
    "case": "say in the case file: {}",
    "table": "give a device table with: {}",
    "device": "add to the device table a fitting {}",
}


def _written(missing: Iterable[str], words: Mapping[str, str], *, rest: bool = True) -> str:
    places = _by_place(missing)
    named = [words[place].format(", ".join(places[place])) for place in words if place in places]
    return "; ".join([*named, *(places.get("", ()) if rest else ())])


def _by_place(missing: Iterable[str]) -> dict[str, list[str]]:
    """Group missing inputs by where they would be given, in the order of their first mention; "" holds all others."""
    found: dict[str, dict[str, None]] = {}
    for one in missing:
        if not one:
            continue
        table, device = _NO_TABLE.fullmatch(one), _NO_DEVICE.fullmatch(one)
        if one.startswith(_CASE):
            place, names = "case", [name.strip() for name in one.removeprefix(_CASE).split(",")]
        elif table:
            place, names = "table", [table[1]]
        elif device:
            place, names = "device", [device[1]]
        else:
            place, names = "", [one]
        found.setdefault(place, {}).update(dict.fromkeys(names))
    return {place: list(names) for place, names in found.items()}
