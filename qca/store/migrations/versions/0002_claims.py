"""Claims: several machines share one batch without measuring a frame twice."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Add the table; it is no part of the record."""
    op.create_table(
        "claim",
        sa.Column("job", sa.Text, primary_key=True),
        sa.Column("owner", sa.Text, nullable=False),
        sa.Column("until_epoch", BIG, nullable=False),
    )
