"""The tables as they are now, and what makes the database itself refuse changes.

The migrations build these tables step by step; a test compares the two.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)

LATEST = "0002"
"""Migration that this program needs."""

OLDER = ("0001",)
"""Migrations that ``qca ledger upgrade`` starts from."""

BIG = BigInteger().with_variant(Integer, "sqlite")

metadata = MetaData()

ledger = Table(
    "ledger",
    metadata,
    Column("ledger_id", Text, primary_key=True),
    Column("created_utc", Text, nullable=False),
)
"""One row: the ledger's identity."""

document = Table(
    "document",
    metadata,
    Column("number", BIG, primary_key=True, autoincrement=True),
    Column("sha256", Text, nullable=False, unique=True),
    Column("size", BIG, nullable=False),
    Column("body", LargeBinary, nullable=False),
)

entry = Table(
    "entry",
    metadata,
    Column("seq", BIG, primary_key=True, autoincrement=False),
    Column("entry_id", Text, nullable=False, unique=True),
    Column("origin", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("time_utc", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("list_id", Text, nullable=False),
    Column("code", Text, nullable=False),
    Column("reader", Text, nullable=False),
    Column("passage", Integer, nullable=True),
    Column("frame_sha256", Text, nullable=False),
    Column("frame_index", Integer, nullable=True),
    Column("picks_sha256", Text, nullable=False),
    Column("reading_sha256", Text, nullable=False),
    Column("software", Text, nullable=False),
    Column("algorithm", Text, nullable=False),
    Column("job", Text, nullable=False),
    Column("refers", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("previous", Text, nullable=False),
    Column("hash", Text, nullable=False),
)
Index("entry_of_read", entry.c.list_id, entry.c.code, entry.c.reader, entry.c.passage, entry.c.seq, entry.c.kind)
Index("entry_of_job", entry.c.job)

claim = Table(
    "claim",
    metadata,
    Column("job", Text, primary_key=True),
    Column("owner", Text, nullable=False),
    Column("until_epoch", BIG, nullable=False),
)
"""Who is measuring what just now; not part of the record, rows come and go."""

RECORD = ("ledger", "document", "entry")
"""Tables whose rows never change."""
