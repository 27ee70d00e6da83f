"""Alembic environment: runs on the connection that ``Database.migrate`` hands over."""

from alembic import context

from cardreader.register.base import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
