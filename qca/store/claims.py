"""Claims: who is measuring what just now, so that several machines share a batch.

A claim is a lease. It ends when the work is done, when its time is up, or when its owner is found dead on this machine.
The server's clock counts, so machines need not agree on the time.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import delete, insert, select, text, update

from qca.store.connection import reading, writing
from qca.store.ledger import Ledger
from qca.store.schema import claim

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

LEASE_SECONDS = 120
"""A claim that is not renewed for so long is free."""


def this_process() -> str:
    """Name this process so that another one on the same machine can tell whether it still lives."""
    return f"{socket.gethostname()}|{os.getpid()}|{_start_of(os.getpid())}"


def _start_of(pid: int) -> str:
    """Start time of a process in clock ticks after boot; empty where the system does not say."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""


def lives(owner: str) -> bool:
    """Tell whether the owner of a claim may still be at work; a process elsewhere is believed to."""
    host, _, rest = owner.partition("|")
    pid, _, start = rest.partition("|")
    if host != socket.gethostname() or not pid.isdigit():
        return True
    if start:
        return _start_of(int(pid)) == start
    try:
        os.kill(int(pid), 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True


def take(ledger: Ledger, jobs: Sequence[str], owner: str, *, seconds: int = LEASE_SECONDS) -> frozenset[str]:
    """Claim jobs.

    Parameters
    ----------
    ledger : Ledger
        Where the claims are kept.
    jobs : sequence of str
        Wanted.
    owner : str
        `this_process`.
    seconds : int
        For how long.

    Returns
    -------
    frozenset of str
        Those that are now the owner's: free ones, own ones, and those of the dead.

    Raises
    ------
    LedgerError
        If the ledger cannot be written.
    """
    if not jobs:
        return frozenset()
    with writing(ledger.engine, ledger.address) as connection:
        now = _now(connection)
        rows = connection.execute(select(claim).where(claim.c.job.in_(list(jobs)))).all()
        held = {row.job for row in rows if row.owner != owner and row.until_epoch > now and lives(row.owner)}
        granted = [job for job in jobs if job not in held]
        if granted:
            connection.execute(delete(claim).where(claim.c.job.in_(granted)))
            connection.execute(
                insert(claim), [{"job": job, "owner": owner, "until_epoch": now + seconds} for job in granted]
            )
    return frozenset(granted)


def renew(ledger: Ledger, owner: str, *, seconds: int = LEASE_SECONDS) -> None:
    """Prolong all claims of an owner."""
    with writing(ledger.engine, ledger.address) as connection:
        until = _now(connection) + seconds
        connection.execute(update(claim).where(claim.c.owner == owner).values(until_epoch=until))


def give_back(ledger: Ledger, jobs: Sequence[str], owner: str) -> None:
    """End claims."""
    if jobs:
        with writing(ledger.engine, ledger.address) as connection:
            connection.execute(delete(claim).where(claim.c.owner == owner, claim.c.job.in_(list(jobs))))


def held_by_others(ledger: Ledger, jobs: Sequence[str], owner: str) -> frozenset[str]:
    """Tell which jobs a living other owner has claimed."""
    with reading(ledger.engine, ledger.address) as connection:
        now = _now(connection)
        rows = connection.execute(select(claim).where(claim.c.job.in_(list(jobs)))).all()
    return frozenset(row.job for row in rows if row.owner != owner and row.until_epoch > now and lives(row.owner))


def _now(connection: Connection) -> int:
    if connection.dialect.name == "postgresql":
        return int(connection.execute(text("SELECT extract(epoch FROM clock_timestamp())")).scalar_one())
    return int(time.time())
