"""What can go wrong with a ledger.

::

    InputError
      LedgerError          the ledger cannot be opened, read or written
        DamagedLedger      its bytes are not what was written; nothing was touched
        LedgerRule         the entry would break a rule of the record (a locked reading, a list made twice)
"""

from __future__ import annotations

from qca.errors import InputError


class LedgerError(InputError):
    """A ledger that cannot be opened, read or written; the message never holds a password."""


class DamagedLedger(LedgerError):
    """A ledger whose bytes are not what was written."""


class LedgerRule(LedgerError):
    """An entry that the rules of the record do not allow."""
