"""The register as first laid out."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_SQLITE_APPEND_ONLY = """
CREATE TRIGGER audit_entry_no_{verb} BEFORE {VERB} ON audit_entry
BEGIN SELECT RAISE(ABORT, 'the audit trail is append only'); END
"""
_POSTGRESQL_APPEND_ONLY = """
CREATE FUNCTION audit_entry_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'the audit trail is append only'; END $$;
CREATE TRIGGER audit_entry_no_change BEFORE UPDATE OR DELETE ON audit_entry
FOR EACH ROW EXECUTE FUNCTION audit_entry_append_only();
CREATE TRIGGER audit_entry_no_truncate BEFORE TRUNCATE ON audit_entry
FOR EACH STATEMENT EXECUTE FUNCTION audit_entry_append_only();
"""


def upgrade() -> None:
    """Make all tables, and the triggers that keep the audit trail append only."""
    op.create_table(
        "account",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("password_hash", sa.String(length=200), nullable=False),
        sa.Column("language", sa.String(length=10), nullable=True),
        sa.Column("disabled", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("name", name=op.f("uq_account_name")),
    )
    op.create_table(
        "audit_entry",
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("account_id", sa.String(length=36), nullable=True),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.String(length=80), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("previous_hash", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_audit_entry")),
        sa.UniqueConstraint("hash", name=op.f("uq_audit_entry_hash")),
        sa.UniqueConstraint("previous_hash", name=op.f("uq_audit_entry_previous_hash")),
    )
    op.create_table(
        "sign_in",
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.String(length=36), nullable=False),
        sa.Column("csrf", sa.String(length=64), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("seen_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_sign_in_account_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_sign_in")),
    )
    op.create_table(
        "woman",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("code", sa.String(length=24), nullable=False),
        sa.Column("gestation_weeks", sa.Integer(), nullable=True),
        sa.Column("gestation_on", sa.Date(), nullable=True),
        sa.Column("smoking", sa.String(length=12), nullable=True),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("added_by", sa.String(length=36), nullable=True),
        sa.Column("closed_on", sa.Date(), nullable=True),
        sa.Column("closed_reason", sa.String(length=20), nullable=True),
        sa.ForeignKeyConstraint(
            ["added_by"], ["account.id"], name=op.f("fk_woman_added_by"), ondelete="SET NULL"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_woman")),
        sa.UniqueConstraint("code", name=op.f("uq_woman_code")),
    )
    op.create_table(
        "treatment",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("woman_id", sa.String(length=36), nullable=False),
        sa.Column("regimen", sa.String(length=20), nullable=False),
        sa.Column("started_on", sa.Date(), nullable=False),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(
            ["woman_id"], ["woman.id"], name=op.f("fk_treatment_woman_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_treatment")),
    )
    op.create_index(op.f("ix_treatment_woman_id"), "treatment", ["woman_id"], unique=False)
    op.create_table(
        "visit",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("woman_id", sa.String(length=36), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("opened_by", sa.String(length=36), nullable=True),
        sa.Column("opened_at", sa.DateTime(), nullable=False),
        sa.Column("hb_g_dl", sa.Double(), nullable=True),
        sa.Column("low_g_dl", sa.Double(), nullable=True),
        sa.Column("high_g_dl", sa.Double(), nullable=True),
        sa.Column("sd_g_dl", sa.Double(), nullable=True),
        sa.Column("band", sa.String(length=30), nullable=True),
        sa.Column("result", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(
            ["opened_by"], ["account.id"], name=op.f("fk_visit_opened_by"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["woman_id"], ["woman.id"], name=op.f("fk_visit_woman_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit")),
    )
    op.create_index(op.f("ix_visit_on"), "visit", ["on"], unique=False)
    op.create_index(op.f("ix_visit_woman_id"), "visit", ["woman_id"], unique=False)
    op.create_table(
        "reading",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("submission_key", sa.String(length=64), nullable=False),
        sa.Column("woman_id", sa.String(length=36), nullable=False),
        sa.Column("visit_id", sa.String(length=36), nullable=True),
        sa.Column("source", sa.String(length=10), nullable=False),
        sa.Column("taken_at", sa.DateTime(), nullable=False),
        sa.Column("hb_g_dl", sa.Double(), nullable=True),
        sa.Column("low_g_dl", sa.Double(), nullable=True),
        sa.Column("high_g_dl", sa.Double(), nullable=True),
        sa.Column("sd_g_dl", sa.Double(), nullable=True),
        sa.Column("band", sa.String(length=30), nullable=True),
        sa.Column("refusal", sa.String(length=40), nullable=True),
        sa.Column("lot_id", sa.String(length=20), nullable=True),
        sa.Column("phone", sa.String(length=80), nullable=True),
        sa.Column("method", sa.String(length=80), nullable=True),
        sa.Column("place", sa.String(length=80), nullable=True),
        sa.Column("blot", sa.Integer(), nullable=True),
        sa.Column("photo_sha256", sa.String(length=64), nullable=True),
        sa.Column("photo_file", sa.String(length=80), nullable=True),
        sa.Column("detail", sa.JSON(), nullable=True),
        sa.Column("entered_by", sa.String(length=36), nullable=True),
        sa.Column("entered_at", sa.DateTime(), nullable=False),
        sa.Column("set_aside_at", sa.DateTime(), nullable=True),
        sa.Column("set_aside_why", sa.String(length=200), nullable=True),
        sa.ForeignKeyConstraint(
            ["entered_by"], ["account.id"], name=op.f("fk_reading_entered_by"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_reading_visit_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["woman_id"], ["woman.id"], name=op.f("fk_reading_woman_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading")),
        sa.UniqueConstraint("submission_key", name=op.f("uq_reading_submission_key")),
    )
    op.create_index(op.f("ix_reading_taken_at"), "reading", ["taken_at"], unique=False)
    op.create_index(op.f("ix_reading_visit_id"), "reading", ["visit_id"], unique=False)
    op.create_index(op.f("ix_reading_woman_id"), "reading", ["woman_id"], unique=False)
    op.create_table(
        "referral",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("woman_id", sa.String(length=36), nullable=False),
        sa.Column("band", sa.String(length=30), nullable=False),
        sa.Column("hb_g_dl", sa.Double(), nullable=False),
        sa.Column("low_g_dl", sa.Double(), nullable=True),
        sa.Column("high_g_dl", sa.Double(), nullable=True),
        sa.Column("urgent", sa.Boolean(), nullable=False),
        sa.Column("source", sa.String(length=10), nullable=False),
        sa.Column("opened_at", sa.DateTime(), nullable=False),
        sa.Column("opened_by", sa.String(length=36), nullable=True),
        sa.Column("closed_at", sa.DateTime(), nullable=True),
        sa.Column("closing_reading_id", sa.String(length=36), nullable=True),
        sa.ForeignKeyConstraint(
            ["closing_reading_id"],
            ["reading.id"],
            name=op.f("fk_referral_closing_reading_id"),
            ondelete="SET NULL",
        ),
        sa.ForeignKeyConstraint(
            ["opened_by"], ["account.id"], name=op.f("fk_referral_opened_by"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["woman_id"], ["woman.id"], name=op.f("fk_referral_woman_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_referral")),
    )
    op.create_index(op.f("ix_referral_woman_id"), "referral", ["woman_id"], unique=False)
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("update", "delete"):
            op.execute(_SQLITE_APPEND_ONLY.format(verb=verb, VERB=verb.upper()))
    else:
        op.execute(_POSTGRESQL_APPEND_ONLY)
