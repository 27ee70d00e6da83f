"""What a photo gave, stage by stage: the measurement, and the reading judged from it."""

from __future__ import annotations

from dataclasses import dataclass

from cardreader.card.lot import Lot
from cardreader.core.refusal import Refusal
from cardreader.decide.rule import Decision
from cardreader.decide.subject import Subject
from cardreader.hb.estimate import HbEstimate
from cardreader.hb.measured import Measured, measured
from cardreader.read.banding import Banding
from cardreader.read.blot import BlotColour
from cardreader.read.correct import ColourCorrection
from cardreader.read.locate import CardPose
from cardreader.read.photo import Photo
from cardreader.read.sample import PatchSamples


@dataclass(frozen=True, kw_only=True)
class Stages:
    """What each stage up to the blot's colour left; those not reached are None."""

    photo: Photo | None = None
    pose: CardPose | None = None
    lot: Lot | None = None
    banding: Banding | None = None
    samples: PatchSamples | None = None
    correction: ColourCorrection | None = None
    blot: BlotColour | None = None


@dataclass(frozen=True)
class Reading(Stages):
    """Everything known about one photo; stages not reached are None.

    ``refusal`` is None exactly when ``estimate`` is not; ``decision`` is always
    there, and is never a normal result for a photo that was refused. ``paper`` is the batch
    of the blotting paper where it was said, ``another_paper`` that the calibration never saw it,
    ``paper_taken`` the batch that the blot was taken to be on where none was said.
    """

    sha256: str
    version: str
    calibration_id: str
    calibration_basis: str
    calibration_sha256: str
    protocol_id: str
    protocol_sha256: str
    subject: Subject
    decision: Decision
    refusal: Refusal | None = None
    estimate: HbEstimate | None = None
    measured: Measured | None = None
    paper: str = ""
    another_paper: bool = False
    paper_taken: str = ""

    @property
    def lot_id(self) -> str | None:
        """Lot number read from the card, known or not; None when no card was found."""
        return f"{self.pose.lot_number:06d}" if self.pose else None


@dataclass(frozen=True, eq=False)
class Findings:
    """The few numbers of a photo that judging needs: small enough to keep for years.

    Attributes
    ----------
    lot_number : int or None
        As read from the card; None when no card was found.
    refusal : Refusal or None
        Why measuring stopped; None exactly when the measurement is there.
    measured : Measured or None
        What `estimate.read_hb` takes.
    paper : str
        Batch of the blotting paper where one is kept; else the reader says which.
    lot_colours : str
        `Lot.fingerprint` of the colours it was measured beside, where that is kept.
    """

    lot_number: int | None
    refusal: Refusal | None
    measured: Measured | None = None
    paper: str = ""
    lot_colours: str = ""


@dataclass(frozen=True, eq=False)
class Measurement(Stages):
    """What the picture says under the card's lot alone, whatever calibration comes after.

    Stages not reached are None; ``refusal`` says why.
    """

    sha256: str
    refusal: Refusal | None = None

    @property
    def findings(self) -> Findings:
        """The part that judging needs."""
        number = self.pose.lot_number if self.pose else None
        if self.blot is None or self.correction is None:
            return Findings(number, self.refusal)
        return Findings(number, None, measured(self.blot, self.correction))


@dataclass(frozen=True, eq=False)
class Judgement:
    """What findings come to under a calibration, a protocol and a day."""

    decision: Decision
    refusal: Refusal | None = None
    estimate: HbEstimate | None = None


@dataclass(frozen=True, eq=False)
class CombinedReading:
    """Readings of one woman, each of a blot of its own, and what they say together.

    ``estimate`` is None when no photo could be read; ``decision`` is then that of a
    photo that wasn't read.
    """

    readings: tuple[Reading, ...]
    estimate: HbEstimate | None
    decision: Decision

    @property
    def disagree(self) -> bool:
        """Whether the blots lie further apart than blots of one woman do."""
        return self.estimate is not None and self.estimate.blots_disagree

    @property
    def n_read(self) -> int:
        """How many of the photos could be read."""
        return sum(reading.estimate is not None for reading in self.readings)


@dataclass(frozen=True, eq=False)
class SameBlotReading:
    """Photos of one blot: each photo's own reading, and the one reading of them all.

    ``together`` carries the first photo's card and file; its blot is that of all photos.
    """

    readings: tuple[Reading, ...]
    together: Reading
