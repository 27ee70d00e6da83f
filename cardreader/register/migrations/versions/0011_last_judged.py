"""What the register's server last judged by."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table; the next start of a server fills it in."""
    op.create_table(
        "last_judged",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("protocol_id", sa.String(length=64), nullable=False),
        sa.Column("protocol_text", sa.Text(), nullable=True),
        sa.Column("elevation_m", sa.Double(), nullable=True),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_last_judged")),
    )
