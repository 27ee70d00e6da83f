"""A photo reader that is loaded once it is needed: see `cardreader.web.later`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from cardreader.decide.protocol import Protocol as Rules
from cardreader.decide.protocolfile import ProtocolSource
from cardreader.decide.subject import Subject
from cardreader.web.once import Once

if TYPE_CHECKING:
    from cardreader.hb.calibration import Calibration
    from cardreader.register.recording import PhotoFacts
    from cardreader.web.reader import Named, PhotoReader, PhotoResult, Shade


class LaterReader:
    """Reads as what ``load`` gives does."""

    def __init__(self, protocol: ProtocolSource, load: Callable[[], PhotoReader]) -> None:
        self._rules = protocol.load()
        self._reader = Once(load)

    def now(self) -> PhotoReader:
        """The reader itself."""
        return self._reader.now()

    @property
    def rules(self) -> Rules:
        """The protocol that readings are judged by."""
        return self._rules

    def read(self, data: bytes, subject: Subject) -> PhotoResult:
        """Read one photo as the phone wrote it."""
        return self.now().read(data, subject)

    def read_same_blot(self, contents: Sequence[bytes], subject: Subject) -> PhotoResult:
        """Read photos of one blot from different sides as one; the newest comes first."""
        return self.now().read_same_blot(contents, subject)

    def combine(
        self, details: list[dict[str, Any]], subject: Subject, pale_blot: bool = False
    ) -> PhotoFacts:
        """One result of several blots of one woman."""
        return self.now().combine(details, subject, pale_blot)

    def shades(self) -> tuple[Shade, ...]:
        """The printed shade scale, lowest haemoglobin first."""
        return self.now().shades()

    def judge_again(self, details: list[dict[str, Any]], subject: Subject) -> PhotoFacts | None:
        """Result of a visit's blots from what was measured of each; None where nothing was."""
        return self.now().judge_again(details, subject)

    def with_calibration(self, calibration: Calibration) -> PhotoReader:
        """The same reader with another calibration. CalibrationError where it can't be used."""
        return self.now().with_calibration(calibration)

    def with_paper(self, batch: str) -> PhotoReader:
        """The same reader for blots on a batch of paper."""
        return self.now().with_paper(batch)

    def of_today(self) -> PhotoReader:
        """The same reader by the files of card lots as they are now; itself where none changed."""
        if not self._reader.there:
            return self  # it will be loaded from the files as they are then
        reader = self.now()
        renewed = reader.of_today()
        return self if renewed is reader else renewed

    @property
    def lots_problem(self) -> str:
        """Why the files of card lots can't be read as they are now; else empty."""
        return self.now().lots_problem if self._reader.there else ""

    @property
    def calibration_sha256(self) -> str:
        """Hash of the calibration."""
        return self.now().calibration_sha256

    @property
    def lots_changed(self) -> tuple[str, ...]:
        """Lots that give no value because their colours aren't those of the calibration's fit."""
        return self.now().lots_changed

    @property
    def named(self) -> Named:
        """Where lots and protocol come from."""
        return self.now().named
