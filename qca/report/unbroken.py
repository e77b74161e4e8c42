"""Numbers that stay on one line: no line ends between a value, its uncertainty and its unit."""

from __future__ import annotations

import re

_NO_BREAK = "\N{NO-BREAK SPACE}"
_INSIDE = re.compile(
    r"(?<=\d) (?=(?:%|mm|px|ms|atm|F)(?![a-z]))"  # value and unit
    r"| (?=\N{PLUS-MINUS SIGN} )|(?<=\N{PLUS-MINUS SIGN}) "  # value and uncertainty
    r"|(?<=[<>\u2265]) (?=\d)"  # sign and bound
)


def unbroken(value: object) -> object:
    """Tie numbers in a text to their signs and units, for a page that is about to be written.

    Parameters
    ----------
    value : object
        What a template writes; only plain text is changed, markup is left as it is.
    """
    return _INSIDE.sub(_NO_BREAK, value) if type(value) is str else value
