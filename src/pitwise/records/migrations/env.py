"""Alembic's entry: runs on the connection that `pitwise.records.schema` hands over."""

from alembic import context

from pitwise.records.all_tables import ALL_TABLES

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=ALL_TABLES,
    render_as_batch=False,
    compare_type=True,
    transaction_per_migration=False,
)
context.run_migrations()
