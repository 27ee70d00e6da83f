"""A site's own calibrations, which is in use, what they judge otherwise; batches of paper."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def _id(name: str = "id", nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.String(length=36), nullable=nullable)


def _to(table: str, column: str, other: str, ondelete: str | None) -> sa.ForeignKeyConstraint:
    name = op.f(f"fk_{table}_{column}")
    return sa.ForeignKeyConstraint([column], [f"{other}.id"], name=name, ondelete=ondelete)


def upgrade() -> None:
    """New tables; readings of before have no batch of paper."""
    with op.batch_alter_table("reading") as table:
        table.add_column(sa.Column("paper", sa.String(length=40), nullable=True))
    op.create_table(
        "paper_batch",
        _id(),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("since", sa.DateTime(), nullable=False),
        _id("entered_by", True),
        _to("paper_batch", "entered_by", "account", "SET NULL"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_paper_batch")),
    )
    op.create_table(
        "site_calibration",
        _id(),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("begun_at", sa.DateTime(), nullable=False),
        _id("begun_by", True),
        sa.Column("beat_at", sa.DateTime(), nullable=False),
        sa.Column("ended_at", sa.DateTime(), nullable=True),
        sa.Column("problem", sa.String(length=300), nullable=True),
        sa.Column("n_pairs", sa.Integer(), nullable=True),
        sa.Column("n_women", sa.Integer(), nullable=True),
        sa.Column("chain", sa.String(length=40), nullable=True),
        sa.Column("sha256", sa.String(length=64), nullable=True),
        sa.Column("verdict", sa.Text(), nullable=True),
        sa.Column("fit_for_use", sa.Boolean(), nullable=True),
        sa.Column("model", sa.JSON(), nullable=True),
        sa.Column("provenance", sa.JSON(), nullable=True),
        sa.Column("report", sa.JSON(), nullable=True),
        _to("site_calibration", "begun_by", "account", "SET NULL"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site_calibration")),
    )
    op.create_table(
        "calibration_use",
        _id(),
        sa.Column("number", sa.Integer(), nullable=False),
        _id("calibration_id", True),
        sa.Column("since", sa.DateTime(), nullable=False),
        _id("put_by", True),
        sa.Column("reason", sa.String(length=200), nullable=False),
        sa.Column("judged_at", sa.DateTime(), nullable=True),
        _to("calibration_use", "calibration_id", "site_calibration", None),
        _to("calibration_use", "put_by", "account", "SET NULL"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration_use")),
        sa.UniqueConstraint("number", name=op.f("uq_calibration_use_number")),
    )
    op.create_table(
        "judged_again",
        _id(),
        _id("use_id"),
        _id("visit_id"),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("was", sa.String(length=30), nullable=False),
        sa.Column("outcome", sa.String(length=30), nullable=False),
        sa.Column("may_be_severe", sa.Boolean(), nullable=False),
        sa.Column("hb_g_dl", sa.Double(), nullable=True),
        sa.Column("low_g_dl", sa.Double(), nullable=True),
        sa.Column("high_g_dl", sa.Double(), nullable=True),
        sa.Column("settled_at", sa.DateTime(), nullable=True),
        _id("settled_by", True),
        sa.Column("settled_why", sa.String(length=200), nullable=True),
        _to("judged_again", "use_id", "calibration_use", "CASCADE"),
        _to("judged_again", "visit_id", "visit", "CASCADE"),
        _to("judged_again", "settled_by", "account", "SET NULL"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judged_again")),
    )
    op.create_index(op.f("ix_judged_again_visit_id"), "judged_again", ["visit_id"], unique=False)
