"""Run by Alembic: applies migrations on the connection that the program hands over."""

from alembic import context

from qca.store.schema import metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection, target_metadata=metadata, render_as_batch=True, transaction_per_migration=False
)
# the program has begun a transaction, and commits it when all migrations have run
context.run_migrations()
