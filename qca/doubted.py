"""Which numbers of a reading a flag makes doubtful: by its code in the flag table and by its place."""

from __future__ import annotations

import re
from collections.abc import Iterable
from collections.abc import Set as AbstractSet

from qca.flags import FLAGS
from qca.picks import LIMBS

EVERYTHING = "everything"
"""What a flag of the whole frame, or of a place that nobody knows, touches."""

_PLACES = frozenset({*LIMBS, "segment", "angles", "medina", "scale"})


def untrusted(code: str) -> bool:
    """Whether numbers under this flag must not be used as they stand; yes for a code that the table does not know."""
    return FLAGS[code].untrusted if code in FLAGS else True


def subjects(where: str) -> frozenset[str]:
    """Tell what a flag at ``where`` touches: limbs by name, ``"scale"``, ``"angles"``, ``"medina"``, or everything."""
    words = set(re.findall(r"[a-z]+", where.lower()))
    if "catheter" in words:
        words.add("scale")
    return frozenset(words & _PLACES) or frozenset({EVERYTHING})


def striking(flags: Iterable[tuple[str, str]], touched: AbstractSet[str]) -> tuple[str, ...]:
    """Give the codes among ``flags``, pairs of code and place, for which numbers of ``touched`` must not be used."""
    wanted = {*touched, EVERYTHING}
    found = (code for code, where in flags if untrusted(code) and subjects(where) & wanted)
    return tuple(dict.fromkeys(found))
