"""The photo reader of a running server: by whichever calibration is in use right now.

Two servers may share a database, and a supervisor puts another calibration into use while
photos come in, so which one holds is looked up for every photo. One whose numbers can't be
used any more (damaged, or of an earlier measuring chain) is not read with; what the server
was started with then reads, and gives no value for cards that it saw no blood on.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import Any

from cardreader.decide.protocol import Protocol as Rules
from cardreader.decide.subject import Subject
from cardreader.register.calibrations import calibration_of, in_use
from cardreader.register.database import Database
from cardreader.register.merge.following import Judge
from cardreader.register.models import CalibrationUse
from cardreader.register.paper import paper_in_use
from cardreader.register.recording import PhotoFacts
from cardreader.web.reader import PhotoReader, PhotoResult, Shade


class SiteReader:
    """Reads as ``base`` does, with the site's own calibration where one is in use."""

    def __init__(self, base: PhotoReader, database: Database) -> None:
        self._base = base
        self._database = database
        self._lock = threading.Lock()
        self._calibration_id: str | None = None
        self._made: PhotoReader | None = None
        self.problem = ""

    @property
    def base(self) -> PhotoReader:
        """What the server was started with, by the files of card lots as they are now."""
        with self._lock:
            return self._renewed()

    @property
    def rules(self) -> Rules:
        """The protocol that readings are judged by."""
        return self._base.rules

    @property
    def lots_problem(self) -> str:
        """Why the files of card lots can't be read as they are now; else empty."""
        return self.base.lots_problem

    def shades(self) -> tuple[Shade, ...]:
        """The printed shade scale, lowest haemoglobin first."""
        return self.base.shades()

    def read(self, data: bytes, subject: Subject) -> PhotoResult:
        """Read one photo as the phone wrote it."""
        return self._on_paper_in_use().read(data, subject)

    def read_same_blot(self, contents: Sequence[bytes], subject: Subject) -> PhotoResult:
        """Read photos of one blot from different sides as one; the newest comes first."""
        return self._on_paper_in_use().read_same_blot(contents, subject)

    def combine(
        self, details: list[dict[str, Any]], subject: Subject, pale_blot: bool = False
    ) -> PhotoFacts:
        """One result of several blots of one woman."""
        return self.now().combine(details, subject, pale_blot)

    def judge_again(self, details: list[dict[str, Any]], subject: Subject) -> PhotoFacts | None:
        """Result of a visit's kept photos by the calibration in use."""
        return self.now().judge_again(details, subject)

    def as_of_now(self, facts: PhotoFacts, subject: Subject) -> PhotoFacts:
        """A photo's facts by the calibration in use, where another one read it just before."""
        reader = self.now()
        read_by = (facts.detail.get("calibration") or {}).get("sha256")
        if reader is self.base or read_by == reader.calibration_sha256:
            return facts
        return reader.judge_again([facts.detail], subject) or facts

    @property
    def lots_changed(self) -> tuple[str, ...]:
        """Lots that give no value because their file's colours aren't those of the fit."""
        return self.now().lots_changed

    @property
    def calibration_sha256(self) -> str:
        """Hash of the calibration in use."""
        return self.now().calibration_sha256

    def now(self) -> PhotoReader:
        """The reader with the calibration in use; where none can be used, as it was started."""
        with self._database.read() as session:
            return self._of(in_use(session))

    def _on_paper_in_use(self) -> PhotoReader:
        with self._database.read() as session:
            batch = paper_in_use(session)
        return self.now() if batch is None else self.now().with_paper(batch.name)

    def _of(self, use: CalibrationUse | None) -> PhotoReader:
        if use is None or use.calibration is None:
            self.problem = ""
            return self.base
        from cardreader.hb.calibrationnumbers import CalibrationError

        with self._lock:
            base = self._renewed()
            if self._calibration_id != use.calibration.id:
                self._made, self.problem = None, ""
                try:
                    self._made = base.with_calibration(calibration_of(use.calibration))
                except CalibrationError as error:
                    self.problem = str(error)
                self._calibration_id = use.calibration.id
            return base if self._made is None else self._made

    def _renewed(self) -> PhotoReader:
        renewed = self._base.of_today()
        if renewed is not self._base:
            self._base, self._calibration_id = renewed, None
        return renewed


def judge_by(reader: SiteReader, elevation_m: float | None) -> Judge:
    """How what registers bring together is judged: by the calibration in use here."""
    rules = reader.rules
    return Judge(reader.combine, elevation_m, rules.follow_up, rules, reader)
