"""Births of several children of whom not all lived: a word that earlier versions don't know."""

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing in the tables changes; an earlier version is kept from what it can't show."""
