"""What all pages share: database, reader, settings, and the pictures shown once."""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.accounts import SessionLimits
from cardreader.register.database import Database
from cardreader.register.identity import identity_of
from cardreader.register.photostore import PhotoStore
from cardreader.web.reader import PhotoReader
from cardreader.web.settings import Settings


class PictureShelf:
    """The newest annotated pictures, in memory only: seen after reading, then gone."""

    def __init__(self, places: int = 24) -> None:
        self._places = places
        self._pictures: OrderedDict[str, tuple[bytes, str]] = OrderedDict()
        self._lock = threading.Lock()

    def put(self, reading_id: str, picture: bytes, media_type: str) -> None:
        """Lay a picture down; the oldest makes room."""
        with self._lock:
            self._pictures[reading_id] = (picture, media_type)
            while len(self._pictures) > self._places:
                self._pictures.popitem(last=False)

    def get(self, reading_id: str) -> tuple[bytes, str] | None:
        """A picture and its media type, if it is still there."""
        with self._lock:
            return self._pictures.get(reading_id)

    def drop(self, reading_ids: set[str]) -> None:
        """Take pictures away."""
        with self._lock:
            for reading_id in reading_ids:
                self._pictures.pop(reading_id, None)


@dataclass(frozen=True)
class State:
    """Shared by every request of one application."""

    settings: Settings
    database: Database
    reader: PhotoReader
    photos: PhotoStore | None
    today: Callable[[], dt.date]
    _identity: list[str] = field(default_factory=list)
    pictures: PictureShelf = field(default_factory=PictureShelf)
    # A 12-megapixel photo fills a core and much memory: no more at a time than cores.
    reading_slots: threading.Semaphore = field(
        default_factory=lambda: threading.Semaphore(os.cpu_count() or 1)
    )

    def identity(self) -> str:
        """What the register is known by; empty before anything was entered."""
        if not self._identity:
            with self.database.read() as session:
                self._identity.extend(filter(None, [identity_of(session)]))
        return self._identity[0] if self._identity else ""

    @property
    def session(self) -> SessionLimits:
        """How long a sign-in lasts: the settings' word if they have one, else the protocol's."""
        rules = self.reader.rules.sign_in
        return self.settings.session or SessionLimits(
            dt.timedelta(minutes=rules.idle_minutes), dt.timedelta(hours=rules.whole_hours)
        )

    @property
    def pin_lasts(self) -> dt.timedelta:
        """How long a PIN stands for the password after that was given on the device."""
        return dt.timedelta(days=self.reader.rules.sign_in.pin_days)

    @property
    def rules(self) -> FollowUpRules:
        """What the protocol says of following a woman."""
        return self.reader.rules.follow_up
