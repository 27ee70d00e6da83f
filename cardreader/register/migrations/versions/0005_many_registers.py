"""Registers that hand over to each other: who they are, what changed, who was joined."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def _id(name: str, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.String(length=36), nullable=nullable)


def _text(name: str, length: int) -> sa.Column:
    return sa.Column(name, sa.String(length=length), nullable=False)


def _time(name: str, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.DateTime(), nullable=nullable)


def _table(
    name: str, *columns: sa.schema.SchemaItem, key: tuple[str, ...], index: tuple[str, ...] = ()
) -> None:
    op.create_table(name, *columns, sa.PrimaryKeyConstraint(*key, name=op.f(f"pk_{name}")))
    for column in index:
        op.create_index(op.f(f"ix_{name}_{column}"), name, [column])


def upgrade() -> None:
    """Make the tables; every woman counts as touched once."""
    with op.batch_alter_table("account") as table:
        table.add_column(_id("home_id", nullable=True))
    keys = (_text("seal_private", 64), _text("sign_private", 64))
    _table("own_register", _id("id"), _text("name", 60), *keys, _time("made_at"), key=("id",))
    _table(
        "known_register",
        *(_id("id"), _text("name", 60), _text("seal_public", 64), _text("sign_public", 64)),
        sa.Column("only_theirs", sa.Boolean(), nullable=False),
        _time("added_at"),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("told", "told_trail")),
        _time("told_at", nullable=True),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("taken", "taken_trail")),
        _time("taken_at", nullable=True),
        sa.UniqueConstraint("name", name=op.f("uq_known_register_name")),
        key=("id",),
    )
    seq = sa.Column("seq", sa.Integer(), nullable=False)
    _table("touched", _id("woman_id"), seq, key=("woman_id",), index=("seq",))
    _table(
        "field_change",
        *(_id("id"), _id("woman_id"), _text("in_table", 30), _id("record"), _text("field", 30)),
        sa.Column("said", sa.JSON(), nullable=False),
        *(_time("at"), _id("by", nullable=True), _id("register_id", nullable=True)),
        sa.Column("head", sa.Boolean(), nullable=False),
        key=("id",),
        index=("woman_id", "record"),
    )
    _table(
        "joining",
        *(_id("id"), _id("one_id"), _id("other_id"), _time("entered_at")),
        *(_id("entered_by", nullable=True), _time("parted_at", nullable=True)),
        _id("parted_by", nullable=True),
        key=("id",),
        index=("one_id", "other_id"),
    )
    row = sa.Column("row", sa.JSON(), nullable=False)
    _table(
        "joined_away",
        *(_id("woman_id"), _id("into_id"), _text("code", 24), row),
        key=("woman_id",),
        index=("into_id", "code"),
    )
    moved = (_id("record"), _text("in_table", 30), _id("own_id"))
    _table("moved", *moved, key=("record",), index=("own_id",))
    _table("removed_woman", _id("woman_id"), _time("at"), key=("woman_id",))
    _table("held_by", _id("woman_id"), _id("register_id"), key=("woman_id", "register_id"))
    _table(
        "taken_trail",
        *(_id("register_id"), sa.Column("seq", sa.Integer(), nullable=False), _time("at")),
        *(_id("account_id", nullable=True), _text("action", 40), _text("subject", 80)),
        sa.Column("detail", sa.Text(), nullable=False),
        *(_text("previous_hash", 64), _text("hash", 64)),
        key=("register_id", "seq"),
    )
    op.execute("INSERT INTO touched (woman_id, seq) SELECT id, 1 FROM woman")
