"""A database's errors as one sentence without secrets."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator

from sqlalchemy.exc import DBAPIError, OperationalError, SQLAlchemyError

from qca.store.address import Address
from qca.store.errors import DamagedLedger, LedgerError

_REASONS = (
    ("password authentication failed", "the user or the password is wrong"),
    ("no password supplied", "the server wants a password"),
    ("database disk image is malformed", "its pages do not fit together"),
    ("file is not a database", "it is not an SQLite file"),
    ("disk is full", "the disk is full"),
    ("disk i/o error", "the disk reports an error, or is full"),
    ("readonly database", "it may not be written"),
    ("unable to open database file", "its folder may not be written or read"),
    ("database is locked", "another program has kept it locked for a minute"),
    ("connection refused", "no server answers there"),
    ("timeout expired", "the server does not answer"),
    ("could not translate host name", "the host's name is not known"),
    ("name or service not known", "the host's name is not known"),
    ("failed to resolve host", "the host's name is not known"),
    ("append-only", "the database refuses to change or delete entries"),
    ("permission denied", "this user may not do that there"),
    ("does not exist", "there is no such database or user"),
    ("read-only transaction", "it was opened for reading"),
    ("server closed the connection", "the server went away"),
    ("terminating connection", "the server is shutting down"),
)


def explained(error: Exception, address: Address) -> LedgerError:
    """One sentence; the database's own text may hold parts of a URL and is not repeated."""
    original = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    said = str(original).lower()
    reason = next((words for mark, words in _REASONS if mark in said), type(original).__name__)
    kind = DamagedLedger if "malformed" in said or "not a database" in said else LedgerError
    verb = "damaged" if kind is DamagedLedger else "not usable now"
    hint = ""
    if kind is DamagedLedger:
        hint = " It was not touched; 'qca ledger check' says what is readable, 'qca ledger copy' saves it."
    elif isinstance(error, OperationalError) and "full" in reason:
        hint = " Nothing of the entry was kept: make room and do it again."
    return kind(f"The ledger {address.shown} is {verb}: {reason}.{hint}")


@contextlib.contextmanager
def guarded(address: Address) -> Iterator[None]:
    """Turn a database's errors into one sentence without secrets."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        raise explained(error, address) from None
    except (UnicodeDecodeError, OverflowError):
        raise damaged(address) from None


def damaged(address: Address) -> DamagedLedger:
    """Form the error for a value that nobody can have entered."""
    return DamagedLedger(
        f"The ledger {address.shown} is damaged: it holds a value that cannot have been entered. It was not touched; "
        "'qca ledger check' says what is readable, 'qca ledger copy' saves it."
    )
