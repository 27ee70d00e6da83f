"""What all pages share: database, reader, settings, and what is kept in memory."""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from cardreader.decide.followuprules import FollowUpRules
from cardreader.register.accounts import SessionLimits
from cardreader.register.database import Database
from cardreader.register.identity import identity_of
from cardreader.register.photostore import PhotoStore
from cardreader.web.settings import Settings
from cardreader.web.shelf import Shelf
from cardreader.web.unkept import Unkept
from cardreader.web.uploads import Uploads

if TYPE_CHECKING:
    from cardreader.register.lastbackup import PutBacks
    from cardreader.register.merge.following import Judge
    from cardreader.web.calibrating import Workshop
    from cardreader.web.meeting import Meetings
    from cardreader.web.reader import PhotoReader
    from cardreader.web.sitereader import SiteReader
    from cardreader.web.undecided import Undecided

MEGABYTE = 1_000_000


@dataclass(frozen=True)
class Picture:
    """An annotated picture and its media type."""

    data: bytes
    media_type: str


@dataclass(frozen=True)
class State:
    """Shared by every request of one application.

    What no page before a sign-in needs is imported where it is made.
    """

    settings: Settings
    database: Database
    base: PhotoReader
    photos: PhotoStore | None
    today: Callable[[], dt.date]
    _identity: list[str] = field(default_factory=list)
    # Seen after reading, then gone.
    pictures: Shelf[Picture] = field(default_factory=lambda: Shelf(24, 60 * MEGABYTE))
    # For the photo of the same blot from another side, which comes a minute later.
    recent: Shelf[bytes] = field(default_factory=lambda: Shelf(16, 200 * MEGABYTE))
    # A 12-megapixel photo fills a core and much memory: no more at a time than cores.
    reading_slots: threading.Semaphore = field(
        default_factory=lambda: threading.Semaphore(os.cpu_count() or 1)
    )

    @cached_property
    def reader(self) -> SiteReader:
        """Reads photos by the calibration in use."""
        from cardreader.web.sitereader import SiteReader

        return SiteReader(self.base, self.database)

    @cached_property
    def meetings(self) -> Meetings:
        """Other registers that are met over the network."""
        from cardreader.web.meeting import Meetings

        return Meetings()

    @cached_property
    def workshop(self) -> Workshop:
        """What fits calibrations, and judges readings again."""
        from cardreader.web.calibrating import Workshop

        return Workshop(self.database, self.settings.data, self.reader, self.settings.elevation_m)

    @cached_property
    def unkept(self) -> Unkept:
        """Sign-ins that can't be written down."""
        return Unkept()

    @cached_property
    def undecided(self) -> Undecided:
        """What registers differ over."""
        from cardreader.web.undecided import Undecided

        return Undecided()

    @cached_property
    def put_backs(self) -> PutBacks:
        """When the register was last put back from a backup."""
        from cardreader.register.lastbackup import PutBacks

        return PutBacks()

    @cached_property
    def uploads(self) -> Uploads:
        """Photos that are coming in by pieces."""
        return Uploads(self.settings.data, self.settings.upload_limit_bytes)

    def identity(self) -> str:
        """What the register is known by; empty before anything was entered."""
        if not self._identity:
            with self.database.read() as session:
                self._identity.extend(filter(None, [identity_of(session)]))
        return self._identity[0] if self._identity else ""

    def catch_up(self) -> None:
        """Bring the lists up to date with what was written by other programs."""
        from cardreader.register.keptlists import catch_up

        catch_up(self.database, self.rules)

    @property
    def session(self) -> SessionLimits:
        """How long a sign-in lasts: the settings' word if they have one, else the protocol's."""
        rules = self.base.rules.sign_in
        return self.settings.session or SessionLimits(
            dt.timedelta(minutes=rules.idle_minutes), dt.timedelta(hours=rules.whole_hours)
        )

    @property
    def pin_lasts(self) -> dt.timedelta:
        """How long a PIN stands for the password after that was given on the device."""
        return dt.timedelta(days=self.base.rules.sign_in.pin_days)

    @property
    def judge(self) -> Judge:
        """How what registers bring together is judged here."""
        from cardreader.web.sitereader import judge_by

        return judge_by(self.reader, self.settings.elevation_m)

    @property
    def rules(self) -> FollowUpRules:
        """What the protocol says of following a woman."""
        return self.base.rules.follow_up
