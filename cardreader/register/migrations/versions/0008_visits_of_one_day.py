"""Visits of one woman and day that are one; which blot a photo is of, whatever its number."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table; the visits are joined by whoever can combine their blots.

    Photos of before are told apart by the number of their blot alone.
    """
    with op.batch_alter_table("reading") as table:
        table.add_column(sa.Column("blot_id", sa.String(length=36), nullable=True))
    op.create_table(
        "joined_visit",
        sa.Column("visit_id", sa.String(length=36), nullable=False),
        sa.Column("lead_id", sa.String(length=36), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("made_of", sa.String(length=64), nullable=False),
        sa.Column("joined_at", sa.DateTime(), nullable=False),
        sa.Column("hb_g_dl", sa.Double(), nullable=True),
        sa.Column("low_g_dl", sa.Double(), nullable=True),
        sa.Column("high_g_dl", sa.Double(), nullable=True),
        sa.Column("sd_g_dl", sa.Double(), nullable=True),
        sa.Column("band", sa.String(length=30), nullable=True),
        sa.Column("result", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_joined_visit_visit_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("visit_id", name=op.f("pk_joined_visit")),
    )
    op.create_index(op.f("ix_joined_visit_lead_id"), "joined_visit", ["lead_id"])
