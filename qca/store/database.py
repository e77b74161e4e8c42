"""The database behind a ledger: opened, made and brought to this version, with errors that hold no secrets.

How either kind of database is connected to, and what a transaction is, stands in :mod:`qca.store.connection`.
"""

from __future__ import annotations

import contextlib
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import inspect, text

from qca.store import schema
from qca.store.address import Address
from qca.store.connection import engine_of, writing
from qca.store.errors import LedgerError
from qca.store.faults import guarded
from qca.store.sqlite_file import check_file, give_name

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection, Engine

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
    engine = engine_of(address, readonly=readonly)
    try:
        with guarded(address):
            _check_version(engine, address, create=create)
    except BaseException:
        engine.dispose()
        raise
    return engine


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
    engine = engine_of(address, readonly=False)
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
        engine = engine_of(Address(waiting, None, address.shown), readonly=False)
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
    engine = engine_of(address, readonly=False)
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
