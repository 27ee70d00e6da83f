"""What a lean install, on a phone alone, is without."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from fastapi import HTTPException

from cardreader.web.texts import mark


@contextmanager
def full_installation_for_export() -> Iterator[None]:
    """Within it a library that the lean install lacks ends in one sentence (HTTPException 409)."""
    try:
        yield
    except ModuleNotFoundError:
        raise HTTPException(409, mark("This export needs the full installation.")) from None
