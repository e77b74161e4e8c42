"""Opening the database behind a ledger: connections, creation, versions, and errors without secrets."""

from __future__ import annotations

import contextlib
import os
import secrets
import sqlite3
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from sqlalchemy import create_engine, event, inspect, text

from qca.store import schema
from qca.store.address import Address
from qca.store.errors import LedgerError
from qca.store.faults import guarded
from qca.store.sqlite_file import check_file, give_name

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection, Engine

BUSY_SECONDS = 60.0
"""How long a writer waits for another one of the same SQLite file."""

CONNECT_SECONDS = 10
"""How long to wait for a server to answer."""

ADVISORY_LOCK = 0x716361
"""Key of the PostgreSQL advisory lock that serialises appending ("qca")."""

MIGRATIONS = Path(__file__).parent / "migrations"

_MIGRATING = threading.Lock()
"""Alembic keeps its context in the module: one thread at a time."""


def connect(address: Address, *, create: bool, readonly: bool = False) -> Engine:
    """Open the database of a ledger and make sure that it is one of this version.

    Parameters
    ----------
    address : Address
        Where.
    create : bool
        Make the ledger if there is none.
    readonly : bool
        Refuse every write; works in a folder that cannot be written.

    Returns
    -------
    sqlalchemy.engine.Engine
        Ready to use.

    Raises
    ------
    LedgerError
        If it cannot be opened, is something else, is older or newer than this program, or (`DamagedLedger`) broken.
    """
    if address.path is not None:
        if not address.path.exists():
            if not create:
                msg = f"There is no ledger {address.shown}: check the name."
                raise LedgerError(msg)
            create_file(address.path, address)
        check_file(address.path)
    engine = _engine(address, readonly=readonly)
    try:
        with guarded(address):
            _check_version(engine, address, create=create)
    except BaseException:
        engine.dispose()
        raise
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


def upgrade(address: Address) -> tuple[str, str]:
    """Bring an older ledger to this program's version; a ledger of this version is left alone.

    Returns
    -------
    tuple of str
        Version before and after.

    Raises
    ------
    LedgerError
        If there is no ledger, or it is newer than this program.
    """
    if address.path is not None:
        if not address.path.exists():
            msg = f"There is no ledger {address.shown}: check the name."
            raise LedgerError(msg)
        check_file(address.path)
    engine = _engine(address, readonly=False)
    try:
        with guarded(address):
            before = _version(engine)
        if before is None or before not in (*schema.OLDER, schema.LATEST):
            raise _strange(before, address)
        with writing(engine, address) as connection:
            migrate(connection)
        return before, schema.LATEST
    finally:
        engine.dispose()


def migrate(connection: Connection, target: str = "head") -> None:
    """Run the migrations up to ``target`` inside the caller's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    with _MIGRATING:
        command.upgrade(config, target)


def _engine(address: Address, *, readonly: bool) -> Engine:
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


@dataclass(frozen=True, slots=True)
class Identity:
    """Who a ledger is: kept by a copy, fresh for a new one."""

    ledger_id: str
    created_utc: str

    @classmethod
    def fresh(cls) -> Identity:
        """Make up a new one."""
        return cls(secrets.token_hex(16), datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"))


Fill = Callable[["Connection"], None]


def create_file(path: Path, address: Address, identity: Identity | None = None, fill: Fill | None = None) -> bool:
    """Build a ledger under another name and give it its own in one step; another's is left alone.

    Parameters
    ----------
    path : Path
        The file.
    address : Address
        Its name for messages.
    identity : Identity or None
        Of the ledger that it is a copy of.
    fill : callable or None
        Puts rows in before the ledger gets its name.

    Returns
    -------
    bool
        False when somebody else has made that file in the meantime.

    Raises
    ------
    LedgerError
        If it cannot be written; nothing is left behind.
    """
    waiting = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        waiting.touch(exist_ok=False)
        engine = _engine(Address(waiting, None, address.shown), readonly=False)
        try:
            with writing(engine, address) as connection:
                _build(connection, identity, fill)
        finally:
            engine.dispose()
        return give_name(waiting, path)
    except OSError as error:
        msg = f"Cannot make the ledger {address.shown} ({error.strerror}): choose a folder that you may write to."
        raise LedgerError(msg) from error
    finally:
        for leftover in (waiting, waiting.with_name(waiting.name + "-journal")):
            with contextlib.suppress(OSError):
                leftover.unlink()


def create_on_server(address: Address, identity: Identity | None = None, fill: Fill | None = None) -> bool:
    """Build a ledger in a server's database in one transaction; False when there is one already."""
    engine = _engine(address, readonly=False)
    try:
        with writing(engine, address) as connection:  # serialised: another desk may be doing the same
            if inspect(connection).has_table("ledger"):
                return False
            _build(connection, identity, fill)
            return True
    finally:
        engine.dispose()


def _build(connection: Connection, identity: Identity | None, fill: Fill | None) -> None:
    migrate(connection)
    chosen = identity or Identity.fresh()
    connection.execute(schema.ledger.insert().values(ledger_id=chosen.ledger_id, created_utc=chosen.created_utc))
    if fill is not None:
        fill(connection)


def _version(engine: Engine) -> str | None:
    """Migration of the database; None when it holds no ledger."""
    with engine.connect() as connection, connection.begin():
        if not inspect(connection).has_table("alembic_version"):
            return None
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        if not inspect(connection).has_table("ledger"):
            return None
        return None if found is None else str(found)


def _check_version(engine: Engine, address: Address, *, create: bool) -> None:
    version = _version(engine)
    if version is None and create and address.path is None:
        create_on_server(address)
        version = _version(engine)
    if version != schema.LATEST:
        raise _strange(version, address)


def _strange(version: str | None, address: Address) -> LedgerError:
    if version is None:
        what = "that file is an SQLite file of something else" if address.path else "that database holds none"
        return LedgerError(f"There is no ledger in {address.shown}: {what}.")
    if version in schema.OLDER:
        return LedgerError(
            f"The ledger {address.shown} is of version {version}, this program needs {schema.LATEST}: make a copy, "
            "then run  qca ledger upgrade  on it."
        )
    return LedgerError(
        f"The ledger {address.shown} is of a newer version than this program knows ({schema.LATEST}): update qca."
    )
