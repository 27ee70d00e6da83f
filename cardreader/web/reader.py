"""What the pages need of the photo reader, and the reader itself.

The pages know only ``PhotoReader``; the tests put another one in its place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from cardreader.decide.protocol import Protocol as Rules
from cardreader.decide.protocolfile import ProtocolSource
from cardreader.decide.subject import Subject

if TYPE_CHECKING:
    from cardreader.hb.calibration import Calibration
    from cardreader.register.recording import PhotoFacts


@dataclass(frozen=True)
class Shade:
    """One step of the printed shade scale: Hb in g/dL and its colour as ``#rrggbb``."""

    hb_g_dl: float
    colour: str


@dataclass(frozen=True)
class PhotoResult:
    """A read or refused photo: what the register keeps and the picture to show once.

    ``picture`` is a JPEG or PNG with the card, the patches and the blot outlined.
    """

    facts: PhotoFacts
    picture: bytes | None
    picture_type: str = "image/jpeg"


@dataclass(frozen=True)
class Named:
    """Where a reader's lots (None: shipped) and protocol come from, for other commands.

    ``real_lots`` are those of printed cards, ``demonstration_lots`` those that never were;
    ``lot_colours`` has the `Lot.fingerprint` of each.
    """

    lots: Path | None
    protocol: ProtocolSource
    real_lots: frozenset[str]
    demonstration_lots: frozenset[str]
    lot_colours: dict[str, str] = field(default_factory=dict)


class PhotoReader(Protocol):
    """A reader of photos under one protocol."""

    @property
    def rules(self) -> Rules:
        """The protocol that readings are judged by."""

    def read(self, data: bytes, subject: Subject) -> PhotoResult:
        """Read one photo as the phone wrote it."""

    def read_same_blot(self, contents: Sequence[bytes], subject: Subject) -> PhotoResult:
        """Read photos of one blot from different sides as one; the newest comes first.

        The facts carry the newest file's hash, and under ``same_blot`` of their JSON what
        each photo said alone.
        """

    def combine(
        self, details: list[dict[str, Any]], subject: Subject, pale_blot: bool = False
    ) -> PhotoFacts:
        """One result of several blots of one woman.

        ``pale_blot``: another blot of hers was refused as a severe anaemia's may be.
        """

    def shades(self) -> tuple[Shade, ...]:
        """The printed shade scale, lowest haemoglobin first."""

    def judge_again(self, details: list[dict[str, Any]], subject: Subject) -> PhotoFacts | None:
        """Result of a visit's blots from what was measured of each; None where nothing was."""

    def with_calibration(self, calibration: Calibration) -> PhotoReader:
        """The same reader with another calibration. CalibrationError where it can't be used."""

    def with_paper(self, batch: str) -> PhotoReader:
        """The same reader for blots on a batch of paper."""

    def of_today(self) -> PhotoReader:
        """The same reader by the files of card lots as they are now; itself where none changed."""

    @property
    def lots_problem(self) -> str:
        """Why the files of card lots can't be read as they are now; else empty. They are read as
        they were before."""

    @property
    def calibration_sha256(self) -> str:
        """Hash of the calibration."""

    @property
    def lots_changed(self) -> tuple[str, ...]:
        """Lots that give no value because their colours aren't those of the calibration's fit."""

    @property
    def named(self) -> Named:
        """Where lots and protocol come from."""
