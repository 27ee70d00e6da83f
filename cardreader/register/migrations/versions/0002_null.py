"""What has no result is null to the database, not the JSON value null."""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Earlier versions wrote both; a backup could not tell them apart."""
    for table, column in (("visit", "result"), ("reading", "detail")):
        op.execute(f"UPDATE {table} SET {column} = NULL WHERE CAST({column} AS TEXT) = 'null'")
