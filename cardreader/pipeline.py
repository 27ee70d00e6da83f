"""The order of the stages, in one place: photo bytes to Reading.

photo -> locate -> sample -> correct -> blot -> estimate -> decide. Each stage
sees only what came before; the first refusal ends the chain and becomes the
reading's reason. Command line, web and batch call `read_photo` and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from hashlib import sha256

from cardreader import __version__
from cardreader.blot import BlotColour, measure_blot
from cardreader.calibration import Calibration
from cardreader.card import Lot, Lots
from cardreader.correct import ColourCorrection, correct
from cardreader.decide import Decision, decide
from cardreader.estimate import HbEstimate, estimate
from cardreader.locate import CardPose, locate
from cardreader.photo import Photo, open_photo
from cardreader.protocol import Protocol
from cardreader.refusal import Reason, Refusal
from cardreader.sample import PatchSamples, sample
from cardreader.subject import Subject


@dataclass(frozen=True)
class Reader:
    """What a photo is read with: known lots, calibration, protocol and the day."""

    lots: Lots
    calibration: Calibration
    protocol: Protocol
    today: date


@dataclass(frozen=True)
class Reading:
    """Everything known about one photo; stages not reached are None.

    ``refusal`` is None exactly when ``estimate`` is not; ``decision`` is always
    there, and is never a normal result for a photo that was refused.
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
    photo: Photo | None = None
    pose: CardPose | None = None
    lot: Lot | None = None
    samples: PatchSamples | None = None
    correction: ColourCorrection | None = None
    blot: BlotColour | None = None
    estimate: HbEstimate | None = None

    @property
    def lot_id(self) -> str | None:
        """Lot number read from the card, known or not; None when no card was found."""
        return f"{self.pose.lot_number:06d}" if self.pose else None


def read_photo(data: bytes, reader: Reader, subject: Subject | None = None) -> Reading:
    """Read one photo, given as the bytes of its file."""
    subject = subject or Subject()
    outcome = Refusal(Reason.NOT_AN_IMAGE, "photo")
    reading = Reading(
        sha256=sha256(data).hexdigest(),
        version=__version__,
        calibration_id=reader.calibration.id,
        calibration_basis=reader.calibration.basis,
        calibration_sha256=reader.calibration.sha256,
        protocol_id=reader.protocol.id,
        protocol_sha256=reader.protocol.sha256,
        subject=subject,
        decision=decide(outcome, reader.protocol, subject),
        refusal=outcome,
    )
    return _read(reading, data, reader)


def _read(reading: Reading, data: bytes, reader: Reader) -> Reading:
    photo = open_photo(data)
    if isinstance(photo, Refusal):
        return _refused(reading, photo, reader)
    reading = replace(reading, photo=photo)
    pose = locate(photo)
    if isinstance(pose, Refusal):
        return _refused(reading, pose, reader)
    reading = replace(reading, pose=pose)
    lot = _known_lot(pose.lot_number, reader)
    if isinstance(lot, Refusal):
        return _refused(reading, lot, reader)
    reading = replace(reading, lot=lot)
    samples = sample(photo, pose)
    if isinstance(samples, Refusal):
        return _refused(reading, samples, reader)
    reading = replace(reading, samples=samples)
    correction = correct(samples, lot)
    if isinstance(correction, Refusal):
        return _refused(reading, correction, reader)
    reading = replace(reading, correction=correction)
    blot = measure_blot(photo, pose, correction, lot)
    if isinstance(blot, Refusal):
        return _refused(reading, blot, reader)
    reading = replace(reading, blot=blot)
    result = estimate(blot, correction, reader.calibration)
    if isinstance(result, Refusal):
        return _refused(reading, result, reader)
    decision = decide(result, reader.protocol, reading.subject)
    return replace(reading, estimate=result, decision=decision, refusal=None)


def _refused(reading: Reading, refusal: Refusal, reader: Reader) -> Reading:
    decision = decide(refusal, reader.protocol, reading.subject)
    return replace(reading, refusal=refusal, decision=decision)


def _known_lot(number: int, reader: Reader) -> Lot | Refusal:
    lot = reader.lots.get(number)
    if lot is None:
        return Refusal(Reason.LOT_UNKNOWN, "card", f"lot {number:06d} is not among the known")
    if lot.is_expired(reader.today):
        return Refusal(Reason.LOT_EXPIRED, "card", f"lot {lot.lot_id} expired on {lot.expires}")
    if not reader.calibration.fits(lot.lot_id):
        return Refusal(
            Reason.CALIBRATION_UNFIT,
            "card",
            f"calibration {reader.calibration.id} is not for lot {lot.lot_id}",
        )
    return lot
