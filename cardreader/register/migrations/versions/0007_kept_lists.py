"""Places on the lists are kept; indices for what a large register is asked for."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.exc import DBAPIError

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_READING = ["taken_at", "set_aside_at", "source", "refusal", "lot_id", "hb_g_dl"]
_BY_PARTS = (("woman", "code"), ("event", "words"))
"""What is found by a part of it; PostgreSQL needn't look at each for that."""


def upgrade() -> None:
    """Make the tables and indices; the places are worked out by whoever knows the protocol."""
    op.create_table(
        "kept_place",
        sa.Column("woman_id", sa.String(length=36), nullable=False),
        sa.Column("on_list", sa.String(length=20), nullable=False),
        sa.Column("since", sa.Date(), nullable=False),
        sa.Column("pressing", sa.Integer(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["woman_id"], ["woman.id"], name=op.f("fk_kept_place_woman_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("woman_id", "on_list", name=op.f("pk_kept_place")),
    )
    op.create_index("ix_kept_place_sorted", "kept_place", ["on_list", "pressing", "value"])
    op.create_index("ix_kept_place_since", "kept_place", ["on_list", "since"])
    op.create_table(
        "kept_lists",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("rules", sa.String(length=64), nullable=False),
        sa.Column("done_to", sa.String(length=36), nullable=True),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_kept_lists")),
    )
    op.create_table(
        "out_of_place",
        sa.Column("woman_id", sa.String(length=36), nullable=False),
        sa.PrimaryKeyConstraint("woman_id", name=op.f("pk_out_of_place")),
    )
    for name in ("woman.added_at", "referral.opened_at", "referral.closed_at"):
        table, column = name.split(".")
        op.create_index(op.f(f"ix_{table}_{column}"), table, [column])
    # What a month counts stands in the index whole, so that its rows need not be read.
    for old, new, columns in (
        ("ix_visit_on", "ix_visit_month", ["on", "band"]),
        ("ix_reading_taken_at", "ix_reading_month", _READING),
    ):
        table = new.split("_")[1]
        op.drop_index(old, table)
        op.create_index(new, table, columns)
    if op.get_bind().dialect.name == "postgresql":
        _index_trigrams(op.get_bind())


def _index_trigrams(connection: sa.Connection) -> None:
    """Where the extension is not installed, or may not be, parts are found by looking at all."""
    try:
        with connection.begin_nested():
            connection.execute(sa.text("CREATE EXTENSION IF NOT EXISTS pg_trgm"))
            for table, column in _BY_PARTS:
                index = f"CREATE INDEX trgm_{table}_{column} ON {table}"
                connection.execute(sa.text(f"{index} USING gin ({column} gin_trgm_ops)"))
    except DBAPIError:
        pass
