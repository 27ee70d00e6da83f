"""A study table that can't be used."""

from __future__ import annotations

from cardreader.core.rowfaults import FaultsError


class StudyError(FaultsError):
    """A study table, or one beside it, that can't be used; ``errors`` holds every fault."""
