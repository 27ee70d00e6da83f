"""Births, closings, outcomes of referrals and tablets; clocks of phones; photos not read."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """New columns and the table of events; what is there keeps its meaning."""
    with op.batch_alter_table("woman") as table:
        table.add_column(sa.Column("followed_from", sa.Date(), nullable=True))
        table.add_column(sa.Column("birth_on", sa.Date(), nullable=True))
        table.add_column(sa.Column("birth_outcome", sa.String(length=20), nullable=True))
    with op.batch_alter_table("reading") as table:
        table.add_column(sa.Column("phone_taken_at", sa.DateTime(), nullable=True))
        table.add_column(sa.Column("clock_behind_s", sa.Double(), nullable=True))
    with op.batch_alter_table("referral") as table:
        table.alter_column("hb_g_dl", existing_type=sa.Double(), nullable=True)
        table.add_column(
            sa.Column("purpose", sa.String(length=10), nullable=False, server_default="test")
        )
        table.add_column(sa.Column("outcome", sa.String(length=20), nullable=True))
        table.add_column(
            sa.Column("opening_reading_id", sa.String(length=36), nullable=True),
        )
        table.create_foreign_key(
            op.f("fk_referral_opening_reading_id"),
            "reading",
            ["opening_reading_id"],
            ["id"],
            ondelete="SET NULL",
        )
    op.execute("UPDATE referral SET outcome = 'result' WHERE closing_reading_id IS NOT NULL")
    op.create_table(
        "event",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("woman_id", sa.String(length=36), nullable=False),
        sa.Column("referral_id", sa.String(length=36), nullable=True),
        sa.Column("reading_id", sa.String(length=36), nullable=True),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("choice", sa.String(length=20), nullable=True),
        sa.Column("amount", sa.Integer(), nullable=True),
        sa.Column("words", sa.String(length=200), nullable=True),
        sa.Column("entered_by", sa.String(length=36), nullable=True),
        sa.Column("entered_at", sa.DateTime(), nullable=False),
        sa.Column("set_aside_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["entered_by"], ["account.id"], name=op.f("fk_event_entered_by"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["referral_id"], ["referral.id"], name=op.f("fk_event_referral_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["reading.id"], name=op.f("fk_event_reading_id"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["woman_id"], ["woman.id"], name=op.f("fk_event_woman_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event")),
    )
    op.create_index(op.f("ix_event_on"), "event", ["on"], unique=False)
    op.create_index(op.f("ix_event_woman_id"), "event", ["woman_id"], unique=False)
