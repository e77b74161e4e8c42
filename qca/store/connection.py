"""Connections to the database behind a ledger: SQLite or PostgreSQL, and transactions that writers take in turn.

What the two kinds of database want to be told so that a ledger is whole after every commit stands here and nowhere
else; whoever reads or writes says only which of the two it is. Making, opening and upgrading a ledger:
:mod:`qca.store.database`.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from sqlalchemy import create_engine, event, text

from qca.store.address import Address
from qca.store.faults import guarded

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection, Engine

BUSY_SECONDS = 60.0
"""How long a writer waits for another one of the same SQLite file."""

CONNECT_SECONDS = 10
"""How long to wait for a server to answer."""

ADVISORY_LOCK = 0x716361
"""Key of the PostgreSQL advisory lock that serialises appending ("qca")."""


def engine_of(address: Address, *, readonly: bool) -> Engine:
    """Give what connects to a database; nothing is opened yet, and nothing checked.

    Parameters
    ----------
    address : Address
        Where.
    readonly : bool
        Refuse every write; works in a folder that cannot be written.

    Returns
    -------
    sqlalchemy.engine.Engine
        To be disposed of by the caller.
    """
    if address.path is not None:
        engine = create_engine("sqlite://", creator=lambda: _sqlite(address, readonly=readonly), poolclass=_pool())
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    assert address.url is not None  # noqa: S101 - one of the two is always there
    options = {"connect_timeout": CONNECT_SECONDS}
    engine = create_engine(address.url, connect_args=options, hide_parameters=True, pool_pre_ping=True)
    event.listen(engine, "before_cursor_execute", _ask_for_bytes)
    if readonly:
        event.listen(engine, "begin", lambda c: c.exec_driver_sql("SET TRANSACTION READ ONLY"))
    return engine


@contextlib.contextmanager
def writing(engine: Engine, address: Address) -> Iterator[Connection]:
    """Begin a transaction that no other writer can interleave with; commit at the end."""
    with guarded(address), engine.connect().execution_options(qca_write=True) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": ADVISORY_LOCK})
        yield connection


@contextlib.contextmanager
def reading(engine: Engine, address: Address) -> Iterator[Connection]:
    """Begin a transaction for reading."""
    with guarded(address), engine.connect() as connection, connection.begin():
        yield connection


def _ask_for_bytes(_: object, cursor: Any, *rest: Any) -> None:  # noqa: ANN401 - a database cursor
    """Let the server send values as they are, where a statement asks for it: as text, documents are twice as long."""
    context = rest[2]
    if context is not None and context.execution_options.get("qca_binary"):
        from psycopg.pq import Format

        cursor.format = Format.BINARY


def _pool() -> type:
    from sqlalchemy.pool import QueuePool

    return QueuePool


def _sqlite(address: Address, *, readonly: bool) -> sqlite3.Connection:
    path = Path(str(address.path)).absolute()
    # a reader too must be able to roll back what a killed writer left half done, where it may
    writable = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
    mode = "ro" if readonly and not writable else "rw"
    name = quote(str(path))
    connection = sqlite3.connect(
        f"file:{name}?mode={mode}", uri=True, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
    )
    # one file that is whole after every commit, on any file system: no write-ahead log beside it
    if readonly:
        connection.execute("PRAGMA query_only=ON")
    else:
        connection.execute("PRAGMA journal_mode=TRUNCATE")
        connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA recursive_triggers=ON")
    return connection


def _begin_sqlite(connection: Connection) -> None:
    write = connection.get_execution_options().get("qca_write")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")
