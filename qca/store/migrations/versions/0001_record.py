"""The record: ledger, document, entry, and the triggers that refuse to change them.

Frozen as released: written out in full, not imported from the current schema.
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")

RECORD = ("ledger", "document", "entry")

SQLITE_EACH = (
    """CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table}
    BEGIN SELECT RAISE(ABORT, 'append-only: rows of {table} are never changed'); END""",
    """CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table}
    BEGIN SELECT RAISE(ABORT, 'append-only: rows of {table} are never deleted'); END""",
)

# REPLACE deletes without firing delete triggers, so inserting over an existing row is refused here
SQLITE = (
    """CREATE TRIGGER entry_in_order BEFORE INSERT ON entry
    BEGIN
    SELECT RAISE(ABORT, 'append-only: an entry must follow the last one')
    WHERE NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM entry)
    OR (NEW.seq > 1 AND NEW.previous IS NOT (SELECT hash FROM entry WHERE seq = NEW.seq - 1))
    OR EXISTS (SELECT 1 FROM entry WHERE entry_id = NEW.entry_id);
    END""",
    """CREATE TRIGGER document_once BEFORE INSERT ON document
    BEGIN
    SELECT RAISE(ABORT, 'append-only: this document is already there')
    WHERE EXISTS (SELECT 1 FROM document WHERE sha256 = NEW.sha256 OR number = NEW.number);
    END""",
    """CREATE TRIGGER ledger_once BEFORE INSERT ON ledger
    BEGIN
    SELECT RAISE(ABORT, 'append-only: a ledger has one identity') WHERE EXISTS (SELECT 1 FROM ledger);
    END""",
)

POSTGRESQL_EACH = (
    """CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table}
    FOR EACH ROW EXECUTE FUNCTION qca_refuse()""",
    """CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table}
    FOR EACH STATEMENT EXECUTE FUNCTION qca_refuse()""",
)

POSTGRESQL = (
    # the bodies are compressed already
    "ALTER TABLE document ALTER COLUMN body SET STORAGE EXTERNAL",
    """CREATE FUNCTION qca_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'append-only: rows of % are never changed or deleted', TG_TABLE_NAME; END $$""",
    """CREATE FUNCTION qca_entry_in_order() RETURNS trigger LANGUAGE plpgsql AS $$
    DECLARE last_seq bigint; last_hash text;
    BEGIN
    SELECT seq, hash INTO last_seq, last_hash FROM entry ORDER BY seq DESC LIMIT 1;
    IF NEW.seq IS DISTINCT FROM coalesce(last_seq, 0) + 1
    OR (last_seq IS NOT NULL AND NEW.previous IS DISTINCT FROM last_hash)
    THEN RAISE EXCEPTION 'append-only: an entry must follow the last one'; END IF;
    RETURN NEW; END $$""",
    """CREATE FUNCTION qca_ledger_once() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN IF EXISTS (SELECT 1 FROM ledger) THEN RAISE EXCEPTION 'append-only: a ledger has one identity'; END IF;
    RETURN NEW; END $$""",
    "CREATE TRIGGER entry_in_order BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION qca_entry_in_order()",
    "CREATE TRIGGER ledger_once BEFORE INSERT ON ledger FOR EACH ROW EXECUTE FUNCTION qca_ledger_once()",
)


def upgrade() -> None:
    """Build the record."""
    op.create_table(
        "ledger",
        sa.Column("ledger_id", sa.Text, primary_key=True),
        sa.Column("created_utc", sa.Text, nullable=False),
    )
    op.create_table(
        "document",
        sa.Column("number", BIG, primary_key=True, autoincrement=True),
        sa.Column("sha256", sa.Text, nullable=False, unique=True),
        sa.Column("size", BIG, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
    )
    texts = ("origin", "kind", "time_utc", "actor", "list_id", "code", "reader")
    more = (
        *("picks_sha256", "reading_sha256", "software", "algorithm", "job", "refers", "reason", "detail"),
        *("previous", "hash"),
    )
    op.create_table(
        "entry",
        sa.Column("seq", BIG, primary_key=True, autoincrement=False),
        sa.Column("entry_id", sa.Text, nullable=False, unique=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in texts),
        sa.Column("passage", sa.Integer, nullable=True),
        sa.Column("frame_sha256", sa.Text, nullable=False),
        sa.Column("frame_index", sa.Integer, nullable=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in more),
    )
    op.create_index("entry_of_read", "entry", ["list_id", "code", "reader", "passage", "seq", "kind"])
    op.create_index("entry_of_job", "entry", ["job"])
    sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in SQLITE if sqlite else POSTGRESQL:
        op.execute(statement)
    for table in RECORD:
        for statement in SQLITE_EACH if sqlite else POSTGRESQL_EACH:
            op.execute(statement.format(table=table))
