"""What Alembic runs for an upgrade: on the connection, and in the transaction, of its caller."""

from alembic import context

from windowwatch.storage.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    transactional_ddl=True,
    render_as_batch=True,  # SQLite cannot alter most of a table in place
)
with context.begin_transaction():
    context.run_migrations()
