"""An index of photos by their hash: every photo that is sent is looked up by it."""

from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make it."""
    op.create_index(op.f("ix_reading_photo_sha256"), "reading", ["photo_sha256"])
