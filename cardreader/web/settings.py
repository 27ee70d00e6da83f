"""Settings of one server."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from cardreader.decide.protocolfile import ProtocolSource
from cardreader.register.accounts import SessionLimits
from cardreader.register.database import sqlite_url


class PhotoPolicy(StrEnum):
    """What becomes of a photo once it is read."""

    NONE = "none"
    ENCRYPTED = "encrypted"


@dataclass(frozen=True)
class Settings:
    """What a server is started with.

    ``data`` holds the database (unless ``database_url`` names another), the photo
    key and the kept photos. ``elevation_m`` is that of the place served.
    """

    data: Path
    database_url: str = ""
    photos: PhotoPolicy = PhotoPolicy.NONE
    place: str = ""
    elevation_m: float | None = None
    # What the reader's protocol comes from, to be remembered by the register; None: nothing is.
    protocol: ProtocolSource | None = None
    # Longest time between a blot and a laboratory value that make a pair, in days: ours. Within
    # it haemoglobin hardly changes without bleeding or transfusion.
    pair_days: int = 3
    secure_cookies: bool = False
    upload_limit_bytes: int = 40 * 1024 * 1024
    form_limit_bytes: int = 256 * 1024
    open_form_limit_bytes: int = 16 * 1024
    free_tries: int = 4
    requests_a_minute: int = 600
    # None: as the protocol says.
    session: SessionLimits | None = None

    @property
    def url(self) -> str:
        """URL of the database."""
        return self.database_url or sqlite_url(self.data / "register.db")

    @property
    def place_of_register(self) -> str:
        """Where the register lies, to be shown: a database's URL may hold a password."""
        return "the database" if self.database_url else str(self.data)
