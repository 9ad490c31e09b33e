"""Run by Alembic for each command; the connection is handed in by `flashworthy_server.schema`."""

from alembic import context

from flashworthy_server.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite alters a table by copying it
)
with context.begin_transaction():
    context.run_migrations()
