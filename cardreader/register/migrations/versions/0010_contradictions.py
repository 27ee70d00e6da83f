"""What the joined records of a woman contradict each other in."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; for who is joined already it is worked out at the next start."""
    with op.batch_alter_table("woman") as table:
        table.add_column(sa.Column("contradicts", sa.String(length=60), nullable=True))
